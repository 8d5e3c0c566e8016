"""The log: one line for each thing that happened, without what is private."""

import logging
import re
import traceback

# A secret link in an address opens an estimate, a set's readings, a calendar.
_SECRET = re.compile(r"(/(?:estimate|shared|calendar)/)[A-Za-z0-9_-]{20,}")
_FRAMES = 4


class OneLine(logging.Formatter):
    """Time, level, where, what; an exception in the same line: its kind, its words and, of an error, the last places it
    came through.

    Only the first line of its words: PostgreSQL tells the values of a row in the second.
    """

    def format(self, record: logging.LogRecord) -> str:
        text = record.getMessage()
        if record.exc_info and record.exc_info[0]:
            kind, error, trace = record.exc_info
            text += f": {kind.__name__}: {(str(error).splitlines() or [''])[0]}"
            if record.levelno >= logging.ERROR:
                frames = traceback.extract_tb(trace)[-_FRAMES:]
                places = (f"{frame.filename.rpartition('site-packages/')[2]}:{frame.lineno}" for frame in frames)
                text += f" ({' > '.join(places)})"
        text = _SECRET.sub(r"\1…", " ".join(text.split()))
        return f"{self.formatTime(record)} {record.levelname} {record.name}: {text}"
