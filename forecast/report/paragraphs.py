"""Sentences in a notebook, wrapped between words as its own text is."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape


@dataclass(frozen=True, slots=True)
class Paragraphs:
    """Text shown by a notebook as one paragraph a line."""

    text: str

    def _repr_html_(self) -> str:
        return "".join(f"<p>{escape(line)}</p>" for line in self.text.splitlines() if line)

    def __repr__(self) -> str:
        return self.text


def paragraphs(*texts: str) -> Paragraphs:
    """Return the texts for a notebook to show, one paragraph a line."""
    return Paragraphs("\n".join(texts))
