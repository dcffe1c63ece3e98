"""What was once said wrongly of an athlete, on a club whose records a coach reads at a glance.

Each docstring quotes the wrong sentence. Of the same list stand elsewhere: the hardest rung of a
cohort (``cohort/test_cohort_tables.py``), re-tests, what-if and records of single repetitions
(``ahead`` and ``readiness``), the first page of a notebook (``test_notebooks.py``), and a walk
through every output of odd clubs (``report/test_contradictions.py``).
"""

from __future__ import annotations

import io
import json
import re

import numpy as np
import pandas as pd
import pytest
from made_club import few_of
from said_club import records

import forecast as fc
from forecast import words
from forecast.changes import changes, snapshot
from forecast.commands.weeks import WRITERS, Format
from forecast.report import ReportData, coach_page, file_names, gather
from forecast.row import SUMMARY_COLUMNS, Row
from forecast.words import captions, for_athlete, for_coach, pages, say

AHEAD = [name for name in SUMMARY_COLUMNS if name.startswith(("p_", "weeks_", "date_"))]


@pytest.fixture(scope="module")
def log(small_log, small_cut, with_sets):
    """Three of the small cohort, and those of ``said_club``."""
    sets = pd.concat([few_of(small_log), fc.read_log(records(), small_log.ladder).sets])
    return with_sets(small_log, sets[sets["date"] < small_cut])


@pytest.fixture(scope="module")
def view(small_model, log, small_cut):
    return small_model.view(log, small_cut)


@pytest.fixture(scope="module")
def rows(view):
    return {row.key: row for row in view.rows}


@pytest.fixture(scope="module")
def data(view) -> ReportData:
    return gather(view, club="Club", for_athlete=False)


def only(rows: dict[tuple[str, str], Row], athlete: str) -> Row:
    """The one rung on which this athlete has sessions."""
    (row,) = (row for row in rows.values() if row.athlete == athlete and row.seen.sessions)
    return row


def every_word(row: Row) -> str:
    coach, card = for_coach(row), pages.card(row)
    return " ".join(
        [*pages.paragraphs(row), coach.weeks, coach.half_by, coach.warnings, card.line, card.stands,
         card.own.why, card.own.next_step, card.sure, captions.under_sets(row),
         *(words.reason(one, row) for one in row.reasons)]
    )  # fmt: skip


def test_no_date_and_no_climbing_beside_pain(view, rows):
    """In CSV, summary and notebooks: dates and "climbing" for an athlete in pain."""
    hurt, result = only(rows, "Hurt"), view.forecast()
    csv = pd.read_csv(io.BytesIO(WRITERS[Format.csv](result)))
    whole = json.loads(WRITERS[Format.json](result))["forecasts"]
    for table in (result.summary, csv, pd.DataFrame(whole)):
        line = table[table["athlete"] == "Hurt"].iloc[0]
        assert line[AHEAD].isna().all()
        assert (line["state"], line["on_hold"]) == ("pain", "pain")
    shown = re.search(r"<tr>(<td[^>]*>Hurt.*?)</tr>", result._repr_html_())[1]
    assert "on hold" in shown
    assert "climbing" not in shown
    assert not re.search(r"week|half|chance|climbing|October|November", for_coach(hurt).why)


def test_no_gain_above_the_least_counts_as_too_little(view, rows):
    """ "Gains too little: +1.2 % a week, and under +0.6 % counts as flat"."""
    table = view.plateaus()
    stuck = table[table["state"].isin(["flat", "slipping"])]
    assert (stuck["gain"] <= stuck["smallest_gain"]).all()
    for row in rows.values():
        if "counts as flat" in for_coach(row).why:
            assert row.gain.lately <= row.verdict.least


def test_only_what_is_unclear_is_called_so(rows):
    """ "Unclear" for not begun, two sessions, thirty misses and 15.7 of 15 s, all one word."""
    states = {name: only(rows, name).state for name in
              ("Two", "Misses", "Unclean", "Helped", "Met", "Rising")}  # fmt: skip
    assert states == {
        "Two": "few", "Misses": "no_success", "Unclean": "form", "Helped": "help",
        "Met": "at_mark", "Rising": "climbing",
    }  # fmt: skip
    begun = [row for row in rows.values() if not row.seen.sessions]
    assert {row.state for row in begun} <= {"new", "paused"}
    assert re.search(r"\d+ more before", for_coach(only(rows, "Two")).why)


@pytest.mark.parametrize("name", ["Misses", "Unclean", "Helped"])
def test_no_date_before_a_first_valid_set(rows, name):
    """42 of 42 sets unclean, or all with help: "half clear it within about 4 weeks"."""
    row = only(rows, name)
    coach = for_coach(row)
    assert (coach.weeks, coach.half_by, coach.dated) == ("-", "", False)
    assert not re.search(r"half clear|1 in 10 before|\b20\d\d\b", every_word(row))
    assert row.wait.chances[4] <= 0.1
    sets = f"All {row.seen.sets} sets"
    assert sets in coach.why
    assert coach.next_step != for_coach(only(rows, "Rising")).next_step


def test_climbing_takes_sessions(rows):
    """ "23 climbing as expected", six of them without a single session."""
    climbing = [row for row in rows.values() if row.state == "climbing"]
    assert climbing
    assert all(row.seen.sessions >= 3 for row in climbing)
    count = len(climbing)
    assert f"{count} climbing" in words.screens.states_line(list(rows.values()))


def test_whoever_is_away_stands_last_and_in_one_line(view, data):
    """People away for 34 and 75 weeks ranked above those who train; half the screen is gone."""
    away = [row.is_away for row in view.rows]
    assert away == sorted(away)
    assert any(row.athlete == "Gone" and row.is_away for row in view.rows)
    html = view.forecast()._repr_html_()
    assert "<td style='text-align:left'>Gone" not in html
    assert "away, not listed" in html
    assert "Gone" not in [row.athlete for row in data.here]


def test_the_list_to_pick_from_opens_on_the_most_urgent(data):
    """The notebook opens, alphabetically, on somebody away for 53 weeks."""
    assert data.here[0].athlete == "Hurt"
    assert data.rows[0] == data.here[0]


def test_what_is_flat_or_slips_has_no_line_that_climbs(data):
    """ "Flat since 31 August" beside a line that climbs through the mark."""
    fan = data.tables.fan.groupby("who")["mid"]
    for row in data.here:
        if row.state in ("flat", "slipping") and row.who in fan.groups:
            assert fan.get_group(row.who).max() <= row.level.value + 0.02
            assert "level" in captions.under_sets(row) or row.state == "slipping"


def test_a_caption_gives_one_day_for_half(data):
    """ "Reaches the mark by late August ... half by early August"."""
    dated = [row for row in data.here if for_coach(row).dated and row.seen.sessions]
    assert dated
    for row in dated:
        under = captions.under_sets(row)
        assert "reach" not in under
        if not np.isnan(row.wait.mid):
            assert under.count(for_coach(row).half_by.removeprefix("about ")) == 1


def test_repetitions_are_whole_to_the_nearest(view, rows):
    """1.998 reps shown as "1 of 8", the line at 2."""
    row = only(rows, "Reps")
    assert row.level.value == round(row.level.value)
    assert for_coach(row).stands.startswith(f"{row.level.value:.0f} of 10")
    summary = view.forecast().summary.set_index(["athlete", "rung"])
    assert summary.loc[row.key, "level_value"] == row.level.value
    assert say.value(1.998, "reps") == "2\u00a0reps"


def test_a_gain_is_written_once_with_one_sign(rows):
    """The gain said twice on a card, with two minus signs."""
    for row in rows.values():
        told = " ".join(pages.paragraphs(row))
        assert "-" not in re.sub(r"\w-\w|- of", "", told)
        assert told.count("a week over the last six weeks") <= 1


def test_three_and_seven_per_cent_are_told_apart(rows):
    """3 % and 7 % both "about 1 in 20" for the athlete, 2 % for the coach."""
    assert len({say.chance(share) for share in (0.02, 0.03, 0.07, 0.15)}) == 4
    for row in rows.values():
        shares = row.wait.chances.values() if row.wait else ()
        own = [text for _, text in for_athlete(row).chances]
        assert own == [say.chance(share) for share in shares if np.isfinite(share)]


def test_an_athlete_far_behind_the_others_is_told(rows):
    """ "Not stuck. Half of the others took 7 to 23 weeks; you are in week 104"."""
    beside = pages.beside_others(104, at_least=False, quarter=7, three_quarters=23)
    assert "longer than most" in beside
    assert not any("Not stuck" in every_word(row) for row in rows.values())


def test_a_mark_that_was_met_is_told_to_the_athlete_too(rows):
    """Met the mark in 1 of 2 sessions: only the coach was told."""
    row = only(rows, "Met")
    assert row.seen.run == 1
    assert "1 of 2 sessions in a row" in for_coach(row).why
    assert "met it in 1 of the 2 sessions in a row" in pages.card(row).stands


def test_figures_are_no_finer_than_they_are_known(rows):
    """ "Between 21 and 22 Sep", "0.1 weeks ago", "0.1 to > 52", "chance 100 %", "under 1 to 1"."""
    told = " ".join(every_word(row) for row in rows.values())
    assert not re.search(r"\d\.\d weeks|\b0\.\d to|100.%|[Uu]nder 1 to|<1 to 1 |between \d", told)
    assert say.ago(0.1) == "yesterday"
    assert say.span(0.1, np.nan, 52) == "cannot say yet"
    assert say.percent(1.0) == ">99 %"


def test_no_reason_says_nothing(rows):
    """ "Neither quicker nor slower than the cohort; 0 cleared spells of others to compare with"."""
    for row in rows.values():
        assert len(row.reasons) <= 5
        for text in (words.reason(one, row) for one in row.reasons):
            assert not re.search(r"neither|^0 |\b0\.0 %", text)


def test_a_rung_left_aside_is_no_absence(view, rows, small_model, log, small_cut):
    """ "Away from Heavy pull-ups for 4 weeks" of somebody who trained other rungs meanwhile."""
    row = rows["Leaver", "wall_line"]
    assert row.state == "paused"
    assert not row.away.person
    assert for_coach(row).state == "not trained, 4 weeks"
    now = snapshot(view)
    line = now.rungs.set_index(["athlete", "rung"]).loc[row.key]
    assert not line["absent"]
    earlier = small_cut - pd.Timedelta(weeks=1)
    before = snapshot(small_model.in_hindsight().view(log, earlier))
    table = changes(before, now, log.ladder).table
    assert not ((table["athlete"] == "Leaver") & (table["kind"] == "away")).any()


def test_where_somebody_stands_is_one_figure_and_was_shown(view, rows, log):
    """Reason text and level of one row differ (5.0 and 7.5); above anything ever shown."""
    best = log.sets.groupby(["athlete", "rung"])["value"].max()
    summary = view.forecast().summary.set_index(["athlete", "rung"])
    for key, row in rows.items():
        if not np.isfinite(row.level.value):
            continue
        measure = row.rung.criterion.measure
        assert row.level.value <= best[key]
        assert summary.loc[key, "level_value"] == pytest.approx(row.level.value, abs=1e-6)
        (text,) = (words.reason(one, row) for one in row.reasons if one.kind == "level")
        assert say.value(row.level.value, measure) in text
        assert for_coach(row).stands.startswith(say.number(row.level.value, measure))


def test_after_a_year_away_the_record_stands_and_nothing_is_expected(rows):
    """After 52 weeks away "0.0 s, +32.2 % a week expected" for somebody who held 5 to 9 s."""
    row = only(rows, "Gone")
    assert 5 <= row.level.value <= 9
    told = " ".join(pages.paragraphs(row))
    assert "after coming back" in told
    assert not re.search(r"a week is expected|a week lately", told)
    assert for_coach(row).half_by == ""


def test_the_coachs_page_says_of_each_what_the_row_says(data):
    """C10 "climbing" in one place and on hold in another."""
    page = coach_page(data, file_names(data.athletes, "athlete"))
    for row in data.here:
        coach = for_coach(row)
        line = f'<td class="state"><strong>{coach.state.capitalize()}.</strong>'
        first = next(one for one in data.here if one.athlete == row.athlete)
        assert page.count(line) >= (row == first)
