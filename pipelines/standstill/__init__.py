"""When values stand still: one rule, and the two questions that it is asked."""
