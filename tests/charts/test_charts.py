"""Charts read back from their specifications: words, encodings, rows; and they can be drawn."""

from __future__ import annotations

import json
import re

import numpy as np
import pandas as pd
import pytest
import vl_convert
from made_rows import AS_OF, FIXED_CLUB, PULLS, row, wait
from test_percentages import GLUED

from forecast import charts, words
from forecast.charts import look
from forecast.errors import ForecastError
from forecast.row import Row
from forecast.words import captions

ONE, TWO = row("Ada"), row("Bo", PULLS)
HELD = row("Cy", state="pain", hold="pain", wait=None, pain=5.0)


def days(*texts: str) -> pd.Series:
    return pd.Series(pd.to_datetime(list(texts)))


def tables(*rows: Row) -> charts.OpenTables:
    """Three sets, three levels and two steps ahead of each."""
    sets, level, fan = [], [], []
    for one in rows:
        dates = days("2026-05-01", "2026-05-08", "2026-05-15")
        sets.append(
            pd.DataFrame(
                {"who": one.who, "date": dates, "value": [5.0, 6.0, 7.0],
                 "kind": ["clean", "not clean", "with help"], "note": ""}
            )
        )  # fmt: skip
        band = {"low": [4.0, 5.0, 6.0], "mid": [5.0, 6.0, 7.0], "high": [6.0, 7.0, 8.0]}
        level.append(pd.DataFrame({"who": one.who, "date": dates, **band}))
        ahead = {"low": [6.0, 7.0], "mid": [7.0, 9.0], "high": [8.0, 12.0]}
        dates = days("2026-06-01", "2026-06-29")
        fan.append(pd.DataFrame({"who": one.who, "date": dates, **ahead}))
    return charts.OpenTables(*(pd.concat(t, ignore_index=True) for t in (sets, level, fan)))


def curve(*rows: Row) -> pd.DataFrame:
    weeks = np.arange(1, 21)
    return pd.concat(
        [
            pd.DataFrame({"athlete": one.athlete, "rung": one.rung.key, "week": weeks,
                          "p_cleared": 1 - 0.8**weeks})
            for one in rows
        ]
    )  # fmt: skip


def summary() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "athlete": "Ada",
            "rung_name": ["low", "middle", "top"],
            "weeks_low": [2.0, 5.0, np.nan],
            "weeks_mid": [6.0, 12.0, np.nan],
            "weeks_high": [9.0, np.nan, np.nan],
            "date_mid": days("2026-07-13", "2026-08-24", ""),
            "p_never_in_horizon": [0.0, 0.2, 0.9],
        }
    )


def at_marks() -> pd.DataFrame:
    """One rung at three marks: the present one, one met already, and the present one again."""
    now = summary().iloc[[1]].assign(target=10.0, as_now=True, met_on=pd.NaT)
    met = now.assign(target=6.0, as_now=False, met_on=AS_OF - pd.Timedelta(days=9))
    met = met.assign(weeks_low=0.0, weeks_mid=0.0, weeks_high=0.0, date_mid=AS_OF)
    return pd.concat([now, met, now.assign(as_now=False)], ignore_index=True)


def on_hold(table: pd.DataFrame) -> pd.DataFrame:
    ahead = ["weeks_low", "weeks_mid", "weeks_high", "date_mid", "p_never_in_horizon"]
    return table.assign(**{name: table[name].mask(table["athlete"].notna()) for name in ahead})


def cohort_curves() -> tuple[pd.DataFrame, pd.DataFrame]:
    rows = {"week": [0.0, 4.0, 9.0], "p_cleared": [0.0, 0.4, 0.8], "p_low": [0.0, 0.2, 0.6]}
    one = pd.DataFrame({**rows, "p_high": [0.0, 0.6, 0.9]})
    curves = pd.concat([one.assign(name="Wall hold"), one.assign(name="Toe pulls")])
    at_risk = pd.DataFrame({"name": ["Wall hold", "Toe pulls"], "week": 0.0, "n_at_risk": [9, 7]})
    return curves.reset_index(drop=True), at_risk


def waits() -> pd.DataFrame:
    return pd.DataFrame(
        {"rung_name": ["Wall hold", "Toe pulls"], "quarter": [3.0, 6.0], "half": [5.0, 11.0],
         "three_quarters": [9.0, np.nan], "spells": [9, 7], "cleared": [8, 4]}
    )  # fmt: skip


def effects() -> pd.DataFrame:
    return pd.DataFrame(
        {"kind": ["rung", "rung", "athlete", "athlete"], "name": ["Wall hold", "Toe pulls", "Ada",
         "Bo"], "gain": [0.05, 0.03, 0.01, -0.02], "gain_low": [0.03, 0.01, -0.01, -0.04],
         "gain_high": [0.07, 0.05, 0.03, 0.0]}
    )  # fmt: skip


def incidence() -> pd.DataFrame:
    parts = [
        pd.DataFrame({"name": name, "week": [0.0, 5.0], "what": what, "share": share})
        for name in ("Wall hold", "Toe pulls")
        for what, share in [("cleared", [0.0, 0.5]), ("still on it", [1.0, 0.3]),
                            ("stopped logging", [0.0, 0.2])]
    ]  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def growth() -> tuple[pd.DataFrame, pd.DataFrame]:
    fits = pd.DataFrame(
        {"athlete": ["Ada", "Ada", "Bo", "Bo"], "rung_name": ["Wall hold"] * 2 + ["Toe pulls"] * 2,
         "weeks": [0, 3, 0, 4], "mid": [5.0, 7.0, 2.0, 4.0]}
    )  # fmt: skip
    return fits, pd.DataFrame({"rung_name": ["Wall hold", "Toe pulls"], "target": [10.0, 6.0]})


def calibration_rows() -> pd.DataFrame:
    edges = np.arange(10) / 10
    even = {"low": edges, "high": edges + 0.1, "expected": 0.1, "observed": 0.1, "n": 50}
    said = {**even, "expected": edges + 0.05, "observed": edges + 0.08}
    return pd.concat(
        [
            pd.DataFrame({"forecaster": name, "check": check, **values})
            for name in ("pool", "straight_line")
            for check, values in [("pit", even), ("d_calibration", even), ("reliability_12", said)]
        ],
        ignore_index=True,
    )


def score_rows() -> pd.DataFrame:
    return pd.DataFrame(
        {"forecaster": ["straight_line", "pool"], "score": "crps_weeks", "value": [8.0, 5.0],
         "low": [7.0, 4.5], "high": [9.0, 5.5], "n": 40}
    )  # fmt: skip


CHARTS = {
    "progress": lambda: charts.progress(tables(ONE), [ONE]),
    "progress of many": lambda: charts.progress(tables(ONE, TWO), [ONE, TWO]),
    "chance": lambda: charts.chance_by_week(curve(ONE), [ONE]),
    "chance of many": lambda: charts.chance_by_week(curve(ONE, TWO), [ONE, TWO], slider=True),
    "waiting": lambda: charts.waiting_list(FIXED_CLUB),
    "ahead": lambda: charts.ladder_ahead(summary(), as_of=AS_OF, horizon_weeks=260),
    "marks": lambda: charts.by_mark(at_marks(), as_of=AS_OF, horizon_weeks=52, unit="s"),
    "clearing": lambda: charts.time_to_clear(*cohort_curves()),
    "waits": lambda: charts.waits_by_rung(waits()),
    "growth": lambda: charts.growth_fits(*growth()),
    "difficulty": lambda: charts.pace_and_difficulty(effects(), "rung"),
    "pace": lambda: charts.pace_and_difficulty(effects(), "athlete"),
    "lapse": lambda: charts.lapse(incidence()),
    "pit": lambda: charts.calibration(calibration_rows(), "pit"),
    "d_calibration": lambda: charts.calibration(calibration_rows(), "d_calibration"),
    "reliability": lambda: charts.reliability(calibration_rows()),
    "scores": lambda: charts.scores(score_rows()),
}


def named_parameters(spec: dict) -> set[str]:
    return {parameter["name"] for parameter in spec.get("params", [])}


def drawn_words(chart) -> str:
    """Every word of the chart as drawn at a given width."""
    picture = vl_convert.vegalite_to_svg(chart.properties(width=640).to_dict())
    return " ".join(re.findall(r"<(?:text|tspan)[^>]*>([^<]+)</", picture))


def test_percentages_of_a_chart_are_written_as_in_sentences():
    told = drawn_words(CHARTS["chance"]())
    assert "50\u00a0%" in told
    assert GLUED.findall(told) == []


def y_order(chart) -> list[str]:
    return chart.to_dict()["layer"][0]["encoding"]["y"]["sort"]


@pytest.mark.parametrize("name", CHARTS)
def test_spec_is_valid_has_words_and_can_be_drawn(name):
    chart = CHARTS[name]()
    spec = chart.to_dict()
    assert spec["title"]["text"]
    assert spec["title"]["subtitle"]
    assert len(spec["description"]) > 25
    assert spec["width"] == "container"
    assert drawn_words(chart)
    assert json.dumps(CHARTS[name]().to_dict()) == json.dumps(spec)  # the same each time


def rows_of(chart) -> list[dict]:
    return [one for rows in chart.to_dict()["datasets"].values() for one in rows]


def test_tables_are_not_changed():
    drawn = tables(ONE, TWO)
    before = [frame.copy() for frame in (drawn.sets, drawn.level, drawn.fan)]
    charts.progress(drawn, [ONE, TWO]).to_dict()
    for frame, copy in zip((drawn.sets, drawn.level, drawn.fan), before, strict=True):
        pd.testing.assert_frame_equal(frame, copy)


def test_a_list_to_pick_from_comes_with_several_only():
    assert "pick" not in named_parameters(CHARTS["progress"]().to_dict())
    spec = CHARTS["progress of many"]().to_dict()
    (pick,) = (p for p in spec["params"] if p["name"] == "pick")
    assert pick["value"] == ONE.who
    assert pick["bind"]["options"] == [ONE.who, TWO.who]


def whose(chart) -> set[str]:
    return {one["who"] for one in rows_of(chart)}


def test_only_the_rows_asked_for_are_drawn():
    assert whose(charts.progress(tables(ONE, TWO), [ONE])) == {ONE.who}
    assert whose(charts.chance_by_week(curve(ONE, TWO), [ONE])) == {ONE.who}


def test_progress_names_the_unit_the_mark_and_each_kind_of_set():
    told = drawn_words(CHARTS["progress"]())
    for text in ("hold, seconds", "pass mark 10\u00a0s", "clean", "not clean", "with help"):
        assert text in told


@pytest.mark.parametrize("one", FIXED_CLUB[::3], ids=lambda one: one.athlete)
def test_marks_beside_sets_are_the_dates_of_the_row(one):
    (mark,) = (line for line in rows_of(charts.progress(tables(one), [one])) if "target" in line)
    dated = words.for_coach(one).dated
    half = one.wait.dates[1] if dated else None
    edge = AS_OF + pd.Timedelta(weeks=charts.edge_weeks(one))
    assert bool(mark["date_mid"]) == bool(dated and pd.notna(half) and half <= edge)
    if mark["date_mid"]:
        assert mark["date_mid"][:10] == str(half.date())
    assert mark["when"] == words.for_coach(one).headline


def test_chance_has_points_dates_under_weeks_and_a_slider_on_demand():
    told = drawn_words(CHARTS["chance"]())
    for text in (
        "half",
        "by mid-July",
        "9 in 10",
        "by early August",
        "1 Jun",
        "weeks from 1 Jun 2026",
    ):
        assert text in told
    assert "weeks" in named_parameters(CHARTS["chance of many"]().to_dict())


def test_beside_pain_nothing_ahead_is_drawn():
    with pytest.raises(ForecastError, match="on hold for pain"):
        charts.chance_by_week(curve(HELD), [HELD])
    assert {
        one["who"] for one in rows_of(charts.chance_by_week(curve(ONE, HELD), [ONE, HELD]))
    } == {ONE.who}
    drawn = rows_of(charts.waiting_list([HELD, ONE]))
    assert [one["label"] for one in drawn] == [ONE.who]
    for chart in (
        charts.ladder_ahead(on_hold(summary()), as_of=AS_OF, horizon_weeks=260),
        charts.by_mark(on_hold(at_marks()), as_of=AS_OF, horizon_weeks=52),
    ):
        assert all(one["held"] and one["weeks_mid"] is None for one in rows_of(chart))
        assert words.ON_HOLD in drawn_words(chart)


def test_waiting_list_is_soonest_first_without_the_undated_and_the_away():
    chart = charts.waiting_list(FIXED_CLUB)
    names = [label.split(" ")[0] for label in y_order(chart)]
    assert names == ["Max", "Cleo", "Pau", "Rue", "Few", "New", "Flo", "Sol"]
    told = drawn_words(chart)
    assert "> 52 weeks" in told.replace("&gt;", ">")
    assert "\u25b6" in told
    assert "mid-July" in told


def test_a_narrow_range_gets_a_day():
    assert "about 13 July" in drawn_words(charts.waiting_list([row(wait=wait(5.0, 6.0, 8.0))]))


def test_ladder_ahead_has_the_top_rung_on_top():
    chart = CHARTS["ahead"]()
    assert y_order(chart) == ["top", "middle", "low"]
    assert "Ada" in chart.to_dict()["description"]


def test_marks_are_told_once_each_and_say_which_is_met_or_the_present_one():
    chart = CHARTS["marks"]()
    assert y_order(chart) == ["6 s, cleared already", "10 s (as now)"]
    assert "Ada, middle" in chart.to_dict()["title"]["text"]
    assert "about 23 May" in drawn_words(chart)  # nine days before the cut, when it was met


def test_coverage_is_drawn_against_what_it_should_be():
    rows = score_rows().assign(score="coverage_80", value=0.7, low=0.6, high=0.75)
    spec = charts.scores(rows, "coverage_80").to_dict()
    assert [{"stated": 0.8}] in spec["datasets"].values()
    assert spec["title"]["text"] == "How often the range held"


def test_parts_of_a_long_list_share_one_axis():
    whole = charts.pace_and_difficulty(effects(), "athlete").to_dict()
    part = charts.pace_and_difficulty(effects(), "athlete", rows=slice(0, 1)).to_dict()

    def domain(spec: dict) -> list[float]:
        return spec["layer"][1]["encoding"]["x"]["scale"]["domain"]

    assert domain(part) == domain(whole) == [-0.04, 0.03]
    assert part["height"] < whole["height"]


def test_best_score_comes_first():
    assert charts.scores(score_rows()).to_dict()["layer"][0]["encoding"]["y"]["sort"] == [
        "pool",
        "straight_line",
    ]


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (W3C, 2023), definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


@pytest.mark.parametrize("ink", [look.INK, look.SOFT, look.LINE, look.ALERT])
def test_inks_can_be_read_on_white(ink):
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1 for text.
    assert 1.05 / (luminance(ink) + 0.05) >= 4.5


def test_shapes_tell_sets_apart_without_colour():
    from forecast.charts.rung import SHAPES

    assert len(set(SHAPES)) == len(SHAPES) == len(captions.KINDS)


def test_a_notebook_draws_without_a_network():
    import altair as alt

    before = alt.renderers.active
    try:
        code = charts.in_notebook()._repr_html_()
        html = charts.scores(score_rows())._repr_mimebundle_()
    finally:
        alt.renderers.enable(before)
        alt.data_transformers.enable("default")
    assert "window.vegaEmbed" in code
    text = html[0]["text/html"] if isinstance(html, tuple) else html["text/html"]
    assert "vegaEmbed" in text
    assert "src=" not in text
    assert "Save what is seen as PNG" in text


def test_the_drawing_code_is_kept_and_made_anew_where_spoilt(tmp_path, monkeypatch):
    from forecast.charts import offline

    whole = charts.packed_script()
    monkeypatch.setattr(offline, "KEPT", tmp_path / "kept")
    for _ in range(2):
        offline.packed_script.cache_clear()
        assert charts.packed_script() == whole
        (file,) = (tmp_path / "kept").iterdir()
        assert file.read_bytes() == whole
        file.write_bytes(whole[:1000])
    offline.packed_script.cache_clear()


def test_one_list_picks_for_sets_chances_and_words():
    spec = charts.pick_a_rung(tables(ONE, TWO), curve(ONE, TWO), [ONE, TWO]).to_dict()
    lists = [one for one in spec["params"] if one.get("bind", {}).get("input") == "select"]
    assert [one["bind"]["options"] for one in lists] == [[ONE.who, TWO.who]]
    filtered = json.dumps(spec).count("datum['who'] == pick")
    assert filtered >= 10  # every layer but the slider's rule goes by the one list
    lines = [
        line["text"]
        for rows in spec["datasets"].values()
        for line in rows
        if "line" in line and line["who"] == ONE.who
    ]
    assert " ".join(lines) == " ".join(words.pages.paragraphs(ONE))
    assert max(map(len, lines)) <= 105
    assert "Climbing." in vl_convert.vegalite_to_svg(spec)
