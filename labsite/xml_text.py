"""Text that may stand in XML: spreadsheets and feeds are made of it."""

import re

# XML 1.0, production 2: what pasted text may hold, such as a word processor's line break (U+000B).
_NOT_IN_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def for_xml(text: str) -> str:
    """The text with a mark in place of each sign that XML has no place for."""
    return _NOT_IN_XML.sub("\ufffd", text)
