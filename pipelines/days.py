"""What a date without a time means, in drops and on the command line."""

import re
from datetime import time

DATE = re.compile(r"\d{4}-?\d{2}-?\d{2}")
END_OF_DAY = time(23, 59, 59)
