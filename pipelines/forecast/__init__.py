"""Which vehicle will set a fault, in the next 7, 30 and 90 days.

Learns a hazard from past vehicle-weeks, at most as many as `past.MOST_ORIGINS` says, chosen by a seed. Applies it to
the newest features of each vehicle by itself.
"""
