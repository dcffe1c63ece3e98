"""The words on caution and on what usually helps; common practice among coaches, no source."""

from __future__ import annotations

STOP = (
    "Pain ends the session: sharp pain, pain that grows from set to set, or pain in a joint.",
    "See a licensed clinician when pain is still there after a day or two, comes back each "
    "session, wakes you at night, or comes with swelling, numbness, tingling or a joint that "
    "gives way.",
    "Straight-arm loading is slow on tendons: they adapt over months, not weeks. Add volume "
    "slowly, and less than you feel ready for.",
    "This page clears nobody to train. A qualified coach who sees you decides, and after pain or "
    "injury a licensed clinician.",
    "The rules of your gym or club come first.",
)
"""When to stop and see somebody, for athletes; common practice, no source."""

COACH_CAUTION = (
    "Pain ends the session; an athlete with pain that stays is sent to a licensed clinician.",
    "Straight-arm loading is slow on tendons: form first, volume slowly, over months.",
    "A forecast clears nobody to train, and no date is a promise or a deadline. A qualified coach "
    "who sees the athlete decides; local rules come first.",
)
"""Cautions on the coach's page; common practice, no source."""

HELPS = {
    "pain": (
        "Pain is noted: stop what hurts, and leave weeks and dates aside.",
        "Tell your coach, and see a licensed clinician before you load it again.",
    ),
    "climbing": (
        "Keep what works: the same number of sessions, most sets clean.",
        "Stop a set when the form goes; only clean sets count toward the mark.",
    ),
    "flat": (
        "A flat stretch is common, and by itself no sign that you have reached your limit.",
        "Ask your coach whether one thing should change for a few weeks: fewer but cleaner sets, "
        "an easier variation, more rest between sets or between days.",
        "Look at sleep, food and what else loads the same joints.",
    ),
    "slipping": (
        "Show this page to your coach before adding work; more of the same seldom turns it round.",
        "A lighter week or two, and a step back to the rung before, often helps.",
        "Look at sleep, illness, stress and pain first.",
    ),
    "away": (
        "Start again below where you stopped, and give it a week or two before you test.",
        "Most of what was there comes back faster than it first came.",
    ),
    "unclear": (
        "Write down every set for a few weeks, the missed ones too; then there is more to say.",
        "Two to four sessions a week on this rung tell more than one long one.",
    ),
}
"""What usually helps, by mark; common practice, no source."""


STATE_WORDS = {
    "pain": "On hold",
    "climbing": "Not stuck",
    "flat": "Flat for now",
    "slipping": "Slipping",
    "away": "Away",
    "unclear": "Too early to tell",
}
CONFIDENCE_WORDS = {
    "good": "fairly sure of its range",
    "fair": "only roughly sure",
    "thin": "little more than an educated guess",
}
