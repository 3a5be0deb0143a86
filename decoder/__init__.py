"""Numbers, dates and evidence in; probabilities out.

This room knows how numbers were given out, how they are misread, and how dates bound one another. It has no database, no
clock and no network, and opens nothing but its own tables (``decoder.families``).

>>> from decoder import decode
>>> answer = decode("118 000 001", on="pan")
>>> answer.decodings[0].family.id, answer.decodings[0].earliest, answer.decodings[0].latest
('aircooled-platform', '1967-08-01', '1968-07-31')
"""

from decoder.decoding import Answer, Decoding, decode
from decoder.errors import DecoderError, MalformedReading, TableError, UnknownFamily
from decoder.patterns import Tables, load_tables
from decoder.reading import Cell, Reading, read

__all__ = [
    "Answer",
    "Cell",
    "DecoderError",
    "Decoding",
    "MalformedReading",
    "Reading",
    "TableError",
    "Tables",
    "UnknownFamily",
    "compile_table",
    "decode",
    "decode_many",
    "keys",
    "load_tables",
    "neighbours",
    "read",
]  # fmt: skip


def __getattr__(name: str) -> object:
    # Loaded when first asked for: decode's start-up needs none of these.
    if name == "compile_table":
        from decoder.compiling import compile_table

        return compile_table
    if name == "decode_many":
        from decoder.columns import decode_many

        return decode_many
    if name in ("keys", "neighbours"):
        from decoder import spelling

        return getattr(spelling, name)
    raise AttributeError(f"module 'decoder' has no attribute '{name}'")
