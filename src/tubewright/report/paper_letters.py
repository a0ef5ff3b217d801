"""Which letters the papers can be set in: those of the typefaces that the typesetter carries.

No typeface of the machine is used, so that a paper looks alike everywhere. What
they lack (Chinese, Japanese, Korean, most pictures) is set as :data:`STANDS_IN`
and told at the foot of the paper; nothing vanishes without a word.
"""

from __future__ import annotations

import bisect
import re
import unicodedata
from typing import Final

STANDS_IN: Final = "\u25af"
"""An upright frame, for each letter that can't be set."""

LONGEST_WORD: Final = 24
"""A longer one may be broken anywhere, so that it stays on the paper."""

_RANGES: Final = """
    20-7e a0-ac ae-377 37a-37f 384-38a 38c 38e-3a1 3a3-4ff 510-513 51a-51d 531-556 559-58a 58d-58f 591-5c7
    5d0-5ea 5ef-5f4 606-60c 615 61b-61c 61f 621-63a 640-66d 674 679-67b 67e-680 683-684 686-687 691 698 6a4
    6a9 6af 6be 6cc 6f0-6f9 900-97f e3f e81-e82 e84 e87-e88 e8a e8d e94-e97 e99-e9f ea1-ea3 ea5 ea7 eaa-eab
    ead-eb9 ebb-ebc ec8-ecd 10d0-10ff 115f-1160 13a0-13f5 13f8-13fd 17c1-17c3 1ab0-1ace 1d00-1f15 1f18-1f1d
    1f20-1f45 1f48-1f4d 1f50-1f57 1f59 1f5b 1f5d 1f5f-1f7d 1f80-1fb4 1fb6-1fc4 1fc6-1fd3 1fd6-1fdb 1fdd-1fef
    1ff2-1ff4 1ff6-1ffe 2000-200a 2010-2027 202f-2040 2042 2044-2052 2054-205f 2070-2071 2074-208e 2090-209c
    20a0-20c0 20d0-20f0 2100-211e 2120 2122 2124 2126-2151 2153-2184 2189 2190-23ff 2422-2423 2460-2606
    2609-262f 2638-268b 2690-269c 26a0-26a7 26aa-26af 26b2 2701-2704 2706-2709 270c-2714 2717-2726 272a-274b
    274d 274f-2752 2756 2758-275e 2761-277f 2794 2798-27af 27b1-2b73 2b76-2b95 2b97-2bff 2c60-2cf3 2cf9-2cff
    2e02-2e05 2e08-2e0a 2e17-2e18 2e1f 2e22-2e25 2e2e 3000 3012 3016-3017 301a-301b 302e-3030 3036 306e
    fb00-fb06 fb13-fb17 fb1d-fb36 fb38-fb3c fb3e fb40-fb41 fb43-fb44 fb46-fb4f fb52-fb81 fb8a-fb95 fb9e-fb9f
    fbaa-fbad fbe8-fbe9 fbfc-fbff fe00-fe0f fe20-fe2f fe66 fe70-fe74 fe76-fefc fffc 10140-1018e 102e0-102fb
    1d400-1d454 1d456-1d49c 1d49e-1d49f 1d4a2 1d4a5-1d4a6 1d4a9-1d4ac 1d4ae-1d4b9 1d4bb 1d4bd-1d4c3
    1d4c5-1d505 1d507-1d50a 1d50d-1d514 1d516-1d51c 1d51e-1d539 1d53b-1d53e 1d540-1d544 1d546 1d54a-1d550
    1d552-1d6a5 1d6a8-1d7cb 1d7ce-1d7ff 1f12f 1f6d1 1f780-1f7d8 1f7e0-1f7eb 1f800-1f80b 1f810-1f847
    1f850-1f859 1f860-1f887 1f890-1f8ad 1f8b0-1f8b1
"""
"""First and last of each run of letters, in hexadecimal; found by setting every one of them (tests try samples)."""

_FIRST: Final[list[int]] = []
_LAST: Final[list[int]] = []
for _run in _RANGES.split():
    _FIRST.append(int(_run.partition("-")[0], 16))
    _LAST.append(int(_run.rpartition("-")[2], 16))


def can_set(letter: str) -> bool:
    """Whether the typefaces hold this letter."""
    code = ord(letter)
    at = bisect.bisect_right(_FIRST, code) - 1
    return at >= 0 and code <= _LAST[at]


def settable(text: str) -> tuple[str, int]:
    """A text as it can be set, and how many of its letters are stood in for.

    Marks are joined to their letters where a single letter exists; signs that
    nobody sees (they steer direction or joining) are taken out; other control
    characters become blanks, but for line breaks.

    Example:
        >>> settable("Gro\u0308\u00dfe \u7530\u4e2d")
        ('Gr\u00f6\u00dfe \u25af\u25af', 2)
    """
    set_as: list[str] = []
    missing = 0
    for letter in unicodedata.normalize("NFC", text.replace("\r\n", "\n").replace("\r", "\n")):
        sort = unicodedata.category(letter)
        if sort[0] == "M" and set_as[-1:] == [STANDS_IN]:
            continue  # the frame stands for the letter with its marks
        if letter == "\n" or can_set(letter):
            set_as.append(letter)
            continue
        if sort == "Cf":
            continue
        if sort in {"Cc", "Zl", "Zp", "Zs"}:
            set_as.append(" ")
            continue
        missing += 1
        set_as.append(STANDS_IN)
    return "".join(set_as), missing


def without(text: str, lacking: str) -> tuple[str, int]:
    """A text with a frame for each place at which the typesetter failed, and how many those are.

    Where the letters themselves can be set, it is the marks upon them that can't.
    """
    marked = all(can_set(letter) for letter in lacking)
    out: list[str] = []
    start = count = 0
    while (at := text.find(lacking, start)) >= 0:
        end = at + len(lacking)
        after = end
        while after < len(text) and unicodedata.category(text[after])[0] == "M":
            after += 1
        whole = marked and after == end
        out += [text[start:at], lacking if whole else STANDS_IN]
        count += not whole
        start = after
    return "".join([*out, text[start:]]), count


def breakable(text: str) -> str:
    """A text whose very long words may end a line after any letter (a sign that nobody sees stands there)."""
    return _LONG.sub(lambda word: "\u200b".join(_pieces(word[0])), text)


def _pieces(word: str) -> list[str]:
    """A word letter by letter, marks with the letter that bears them."""
    pieces: list[str] = []
    for letter in word:
        if pieces and unicodedata.category(letter)[0] == "M":
            pieces[-1] += letter
        else:
            pieces.append(letter)
    return pieces


_LONG: Final = re.compile(r"\S{" + str(LONGEST_WORD + 1) + r",}")
