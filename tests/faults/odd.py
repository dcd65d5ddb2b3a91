"""Texts that look like something else: SQL, markup, formulas, formats, paths, odd letters."""

from __future__ import annotations

import random
import unicodedata

CHOSEN = [
    "'; DROP TABLE note; --", '"; DELETE FROM entry; --', "x' OR '1'='1", "Ann'); SELECT 1;",
    "note/../../entry", "%s %d %n {0} {x} $HOME `id` $(id)", "\\'; -- \\\\ \\n \\0",
    "[red]slugs[/red]", "[/]", "[link=file:///etc/passwd]x[/link]", "[bold", ":warning: :bug:",
    "<b>slugs</b> & <script>alert(1)</script>", "{{7*7}}", "a\u00a0b", "\u00bd t/ha",
    "=1+1", "+1", "-1", "@SUM(A1)", "NULL", "None", "NaN", "true", "0", "-", "'", '"', "''", '""',
    "\u00e4\u00f6\u00fc\u00df \u0107 \u0142", "\u571f\u58e4", "\u0442\u043e\u0440\u0444",
    "\U0001f331 seedling", "e\u0301 is \u00e9", "\ufb01lter", "\u05d0\u05d1", "\u0627\u0644",
    "x" * 2000, "/dev/null", "C:\\beds\\1", "--by olek", "-x", "B1-B6,B9", "all",
]  # fmt: skip
_LETTERS = "'\"`;-/*\\%_=()[]{}<>&|$#@!?.,:~^+ \u00e9\u4e2d\u05d0\U0001f331abcSELECTdrop0123456789"


def texts(count: int, rng: random.Random) -> list[str]:
    """The chosen ones, then others made up of their letters; none with blanks at an end."""
    made = [
        "".join(rng.choice(_LETTERS) for _ in range(rng.randint(1, 60))).strip() or "x"
        for _ in range(max(0, count - len(CHOSEN)))
    ]
    return (CHOSEN + made)[:count] if count >= len(CHOSEN) else rng.sample(CHOSEN, count)


def kept(text: str) -> str:
    """As an entry keeps it."""
    return unicodedata.normalize("NFC", text)
