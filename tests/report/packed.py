"""What the charts of a page hold, read from the page alone."""

from __future__ import annotations

import base64
import json
import re
import zlib

HELD = re.compile(r'<script type="application/octet-stream" data-chart="[^"]*">(.*?)</script>')


def texts_of(page: str) -> list[str]:
    """Return the specifications of the page's charts as text."""
    return [zlib.decompress(base64.b64decode(held)).decode() for held in HELD.findall(page)]


def specs_of(page: str) -> list[dict]:
    """Return the specifications of the page's charts."""
    return [json.loads(text) for text in texts_of(page)]
