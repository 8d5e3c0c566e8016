"""Dates in words, so that 3/12 is never read two ways."""

DATE_FORMAT = "D j M Y"
SHORT_DATE_FORMAT = "D j M"
DATETIME_FORMAT = "D j M Y, H:i"
SHORT_DATETIME_FORMAT = "j M, H:i"
TIME_FORMAT = "H:i"
MONTH_DAY_FORMAT = "j M"
DAY_FORMAT = "j M Y"
LONG_DAY_FORMAT = "j F Y"
WEEKDAY_FORMAT = "l j F"
MOMENT_FORMAT = "j M Y, H:i"
SOON_FORMAT = "D j M, H:i"
YEAR_MONTH_FORMAT = "F Y"
DATE_INPUT_FORMATS = ["%Y-%m-%d", "%d.%m.%Y", "%d %b %Y", "%d %B %Y"]
THOUSAND_SEPARATOR = "\u202f"
DECIMAL_SEPARATOR = "."
FIRST_DAY_OF_WEEK = 1
