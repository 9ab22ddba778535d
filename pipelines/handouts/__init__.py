"""Papers to hand out: the plan as a workbook, calendars, sheets of a week and job cards."""
