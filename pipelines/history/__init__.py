"""Vehicles' pasts put in order: clocks, learning epochs, fault events, notices about the record.

Learns how far readings scatter, which events reset, how readily values repeat: of a family and block of time, from
20,000 readings at most where it takes more than a count. Applies that to each vehicle by itself.
"""
