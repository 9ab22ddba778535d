"""Which corrections stray, since when, how fast, and how much leeway is left.

Learns how changes grow, from 400 standing alarms at most; the threshold follows from the promise alone. Applies filter,
rules and posterior to each vehicle by itself.
"""
