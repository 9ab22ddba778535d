"""Figures in words, alike in published texts and on the screen."""


def percent(share: float) -> str:
    """A share from 0 to 1 as whole percent; 'under 1 %' and 'over 99 %' for what is near but not certain."""
    if 0 < share < 0.01:
        return "under 1 %"
    if 0.99 < share < 1:
        return "over 99 %"
    return f"{100 * share:.0f} %"
