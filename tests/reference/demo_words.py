"""Words of the invented demo club: names, two coaches' vocabularies, notes and slips."""

from __future__ import annotations

CLUB = "Quillmoor Hand Balance (an invented club)"

FLOOR_NAMES = [
    "Abrel T.",
    "Bexa M.",
    "Corvin L.",
    "Dallo P.",
    "Esmer K.",
    "Fennick O.",
    "Galia W.",
    "Hestor B.",
    "Imra S.",
    "Jorun V.",
    "Kesso D.",
    "Lumi A.",
    "Marlo F.",
    "Nerys H.",
    "Ondrel C.",
    "Pavika N.",
    "Quil E.",
    "Rosken J.",
    "Sabel G.",
    "Tovik R.",
    "Ulma T.",
    "Varro M.",
    "Wenka L.",
    "Xandri P.",
    "Yorrel K.",
    "Zilka O.",
    "Arvo W.",
    "Brisa B.",
    "Cassen S.",
    "Dorle V.",
    "Eskil D.",
    "Fiora A.",
]

ANNEX_NAMES = [
    "Åskara E.",
    "Brünn T.",
    "Gësa F.",
    "Hanno L.",
    "Ingra P.",
    "Jürna C.",
    "Kjälla K.",
    "Lióra M.",
    "Mélis N.",
    "Orsa R.",
    "Peño J.",
    "Tälvi G.",
    "Vitska W.",
]

MOVED = ("Quil E.", "2025-10-06")
"""An athlete who changed from the first coach to the second, and the day of the change."""

MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]

NOTES = (
    "wobbly",
    "late evening",
    "new floor mats",
    "good energy",
    "tired from work",
    "short session",
    "video taken",
    "shoulders open today",
)
FORM_NOTES = ("elbows bent", "bent left elbow", "arched back", "step of the hand", "knees soft")
PAIN_NOTES = ("wrist stiff, stopped early", "elbow sore", "shoulder complains")

TYPOS = {
    "wall_line": ("Handstand facing the wal", "wall lin"),
    "pike_lifts": ("Seated pike leg lifst", "pike lift"),
    "toe_pulls": ("Slidng toe pulls", "toe puls"),
    "weighted_lifts": ("Pike leg lifts w/ ankle wts",),
    "free_start": ("Free handstand first balnce",),
    "slow_lower": ("Slow straddle lowring", "slow lower (straddle)"),
    "free_line": ("Free handstand, straight lne",),
    "block_press": ("Straddle press from a blok",),
    "wall_press": ("Straddle press back to wall",),
    "straddle_press": ("Stradle press to handstnd",),
    "pike_press": ("Pike pres to handstand",),
    "press_hold": ("Pike press then hld",),
}

ANNEX_COLUMNS = {
    "athlete": "Name",
    "date": "Datum",
    "rung": "Übung",
    "set": "Versuch",
    "value": "Ergebnis",
    "clean": "sauber",
    "assist": "Hilfe",
    "load_kg": "Zusatzlast",
    "stopped": "Ende",
    "effort": "Anstrengung",
    "pain": "Schmerz",
    "note": "Bemerkung",
}

ANNEX_RUNGS = {
    "wall_line": "Handstand zur Wand",
    "pike_lifts": "Beinheben im Sitz",
    "toe_pulls": "Zehenziehen gleitend",
    "weighted_lifts": "Beinheben mit Gewicht",
    "free_start": "Freier Handstand kurz",
    "slow_lower": "Langsam ablassen",
    "free_line": "Freier Handstand gerade",
    "block_press": "Drücken vom Block",
    "wall_press": "Drücken an der Wand",
    "straddle_press": "Grätschdrücken",
    "pike_press": "Bückdrücken",
    "press_hold": "Bückdrücken und halten",
}

ANNEX_WORDS = {
    "clean": {"ja": "yes", "nein": "no"},
    "assist": {"keine": "none", "Band": "band"},
    "stopped": {"gescheitert": "failed", "Ziel erreicht": "target", "abgebrochen": "choice"},
}

ANNEX_NOTES = ("müde", "kurze Einheit", "neue Matte", "gut gelaunt", "spät geworden")
ANNEX_FORM_NOTES = ("Ellbogen gebeugt", "Hohlkreuz", "Handschritt")
ANNEX_PAIN_NOTES = ("Handgelenk zwickt", "Schulter müde, früh aufgehört")
