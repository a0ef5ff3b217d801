"""Setting a paper: data in, PDF out, the same bytes for the same data.

The typesetter's source is ours and fixed; what people typed goes to it as data
and is never read as source. It reads no file and uses only the typefaces that
it carries. The PDF is tagged for those who listen to it (PDF/UA-1) and fit to
be kept (PDF/A-2a).
"""

from __future__ import annotations

import base64
import datetime as dt
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any, Final

from tubewright.report.paper_letters import STANDS_IN, breakable, settable, without

STANDARDS: Final = ("a-2a", "ua-1")
"""ISO 19005-2 level A and ISO 14289-1."""

DRAWING: Final = "svg"
"""Name under which a drawing lies among the data."""

_LACKS: Final = re.compile(r'the text `"(.*?)"` could not be displayed', re.DOTALL)
_PRIVATE: Final = re.compile(r'codepoint `"(.*?)"`')
_MOST_TRIES: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Typeset:
    """A paper as PDF; ``stood_in_for`` counts the letters that the typefaces lack."""

    pdf: bytes
    stood_in_for: int


def typeset(source: str, data: Mapping[str, Any], *, at: dt.datetime) -> Typeset:
    """Set a paper.

    Args:
        source: The typesetter's source; it finds the data in ``sys.inputs.paper``
            as JSON, and in it under ``unset`` the words that tell of letters which
            could not be set ("" if all could).
        data: Plain data; every text in it but drawings is made settable first.
        at: The moment that the document bears.

    Returns:
        The PDF.
    """
    body, missing = _cleaned(data)
    return _tried(source, body, missing, _pdf_options(at))


def typeset_png(source: str, data: Mapping[str, Any], *, dots_per_inch: float = 96.0) -> list[bytes]:
    """The pages of the same paper as pictures."""
    body, missing = _cleaned(data)
    drawn = _compiled(source, _with_note(body, missing), {"format": "png", "ppi": dots_per_inch})
    return drawn if isinstance(drawn, list) else [drawn]


def typeset_svg(source: str, data: Mapping[str, Any]) -> list[str]:
    """The pages of the same paper as drawings, letters as outlines."""
    body, missing = _cleaned(data)
    drawn = _compiled(source, _with_note(body, missing), {"format": "svg"})
    return [one.decode("utf-8") for one in (drawn if isinstance(drawn, list) else [drawn])]


def picture_svg(data: bytes, media_type: str, width_px: int, height_px: int) -> str:
    """A photograph wrapped so that it travels among the data; shown as it is, not packed anew."""
    text = base64.b64encode(data).decode("ascii")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width_px} {height_px}">'
        f'<image width="{width_px}" height="{height_px}" href="data:{media_type};base64,{text}"/></svg>'
    )


def shortened(text: str, most: int) -> str:
    """A text of at most so many letters, cut at a blank, with dots where something is left out; line breaks go.

    Example:
        >>> shortened("The top bends over like a flag", 20)
        'The top bends over…'
    """
    plain = " ".join(text.split())
    if len(plain) <= most:
        return plain
    cut = plain[: max(1, most - 1)]
    at = cut.rfind(" ")
    if at > most // 2:
        cut = cut[:at]
    return cut.rstrip(" ,;:.") + "…"


def unset_words(count: int) -> str:
    """What a paper says where letters could not be set; "" where all could."""
    if not count:
        return ""
    return f"{STANDS_IN} stands for a letter that this paper's typeface lacks; the job's record holds it."


def _pdf_options(at: dt.datetime) -> dict[str, Any]:
    moment = at if at.tzinfo else at.replace(tzinfo=dt.UTC)
    return {"format": "pdf", "timestamp": int(moment.timestamp()), "pdf_standards": list(STANDARDS)}


def _tried(source: str, body: Any, missing: int, how: Mapping[str, Any]) -> Typeset:  # noqa: ANN401 - any JSON
    """Set it; letters that fail only in their surroundings (a mark on a strange letter) are stood in for then."""
    import typst

    for _ in range(_MOST_TRIES):
        try:
            made = _compiled(source, _with_note(body, missing), how)
        except typst.TypstError as error:
            found = _LACKS.search(error.message) or _PRIVATE.search(error.message)
            lacking = _unescaped(found[1]) if found else ""
            if not lacking or STANDS_IN in lacking:
                raise
            body, more = _cleaned(body, lacking)
            if not more:
                raise
            missing += more
            continue
        if not isinstance(made, bytes):
            message = "a PDF is one piece"
            raise TypeError(message)
        return Typeset(pdf=made, stood_in_for=missing)
    message = "too many letters could not be set"
    raise ValueError(message)


def _unescaped(text: str) -> str:
    return re.sub(r"\\u\{([0-9a-f]+)\}", lambda m: chr(int(m[1], 16)), text)


def _with_note(body: Any, missing: int) -> Any:  # noqa: ANN401 - any JSON
    return {**body, "unset": unset_words(missing)}


def _cleaned(value: Any, lacking: str = "") -> tuple[Any, int]:  # noqa: ANN401 - any JSON
    """Data whose texts can be set, and how many letters are stood in for; drawings (:data:`DRAWING`) are left alone."""
    if isinstance(value, str):
        failed, count = without(value, lacking) if lacking else (value, 0)
        text, more = settable(failed)
        return breakable(text), count + more
    if isinstance(value, Mapping):
        parts = {name: (one, 0) if name == DRAWING else _cleaned(one, lacking) for name, one in value.items()}
        return {name: one for name, (one, _) in parts.items()}, sum(count for _, count in parts.values())
    if isinstance(value, list | tuple):
        some = [_cleaned(one, lacking) for one in value]
        return [one for one, _ in some], sum(count for _, count in some)
    return value, 0


def _compiled(source: str, body: Any, how: Mapping[str, Any]) -> bytes | list[bytes]:  # noqa: ANN401 - any JSON
    import typst

    made: bytes | list[bytes] = typst.compile(
        source.encode(),
        # Nothing is read from here; it only keeps the typesetter out of the folder one happens to stand in.
        root=str(resources.files("tubewright.report")),
        ignore_system_fonts=True,
        sys_inputs={"paper": json.dumps(body, ensure_ascii=False, allow_nan=False)},
        **how,
    )
    return made
