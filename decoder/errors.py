"""What can be wrong with what somebody typed or wrote in a table. Each message is a sentence that says what to do."""


class DecoderError(Exception):
    """Base of everything this room raises on purpose."""


class MalformedReading(DecoderError):
    """The text cannot be a reading of a number: junk, an empty or unclosed set, too long."""


class TableError(DecoderError):
    """A number family's table breaks a rule of its format; the message names file, line and row."""


class UnknownFamily(DecoderError):
    """No table of that id is loaded."""
