"""What the log says of refused requests: one line, no traceback, since nothing broke."""

from logging import LogRecord

SERVER_ERROR = 500


def without_trace(record: LogRecord) -> bool:
    """Keeps every record; takes the traceback off those that answer with less than a server error."""
    if getattr(record, "status_code", SERVER_ERROR) < SERVER_ERROR:
        record.exc_info = None
    return True
