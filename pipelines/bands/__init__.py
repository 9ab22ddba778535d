"""What each vehicle should read now: panel, noise, centre, season.

Learns a family's `Normal` in blocks of time, from 200 of its vehicles at most, chosen by a seed (`fit.sampled`); and
week by week what the vehicles of a depot, or on a new calibration, do together. Applies these to each vehicle by
itself.
"""
