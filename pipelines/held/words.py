"""What a batch of readings looks like, in words: by the unit that its values seem to be in."""

UNITS = {
    "fraction": "fractions in place of per cent", "percent": "per cent in place of a share",
    "degF": "degrees Fahrenheit",
    "kelvin": "kelvin", "mi": "miles", "m": "metres", "inHg": "inches of mercury", "hPa": "hectopascals",
    "mV": "millivolts", "min": "minutes", "s": "seconds",
}  # fmt: skip
