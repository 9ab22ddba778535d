"""What a date without a time means, in drops and on the command line."""

from datetime import time

END_OF_DAY = time(23, 59, 59)
