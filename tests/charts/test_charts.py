"""Charts read back from their specifications: words, encodings, rows; and they can be drawn."""

from __future__ import annotations

import json
import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import vl_convert
from test_percentages import GLUED

from forecast import charts
from forecast.charts import look

AS_OF = pd.Timestamp("2026-06-01")
ONE, TWO = "Ada \u00b7 Wall hold", "Bo \u00b7 Toe pulls"


def days(*texts: str) -> pd.Series:
    return pd.Series(pd.to_datetime(list(texts)))


def progress_tables(*who: str) -> tuple[pd.DataFrame, ...]:
    """Three sets, three levels, two steps ahead and the marks of each."""
    sets, level, fan, marks = [], [], [], []
    for name in who:
        dates = days("2026-05-01", "2026-05-08", "2026-05-15")
        sets.append(
            pd.DataFrame(
                {"who": name, "date": dates, "value": [5.0, 6.0, 7.0],
                 "kind": ["clean", "not clean", "with help"], "note": ""}
            )
        )  # fmt: skip
        band = {"low": [4.0, 5.0, 6.0], "mid": [5.0, 6.0, 7.0], "high": [6.0, 7.0, 8.0]}
        level.append(pd.DataFrame({"who": name, "date": dates, **band}))
        ahead = {"low": [6.0, 7.0], "mid": [7.0, 9.0], "high": [8.0, 12.0]}
        fan.append(pd.DataFrame({"who": name, "date": days("2026-06-01", "2026-06-29"), **ahead}))
        marks.append(
            {"who": name, "target": 10.0, "unit": "s", "as_of": AS_OF, "cleared_on": pd.NaT,
             "date_low": AS_OF + pd.Timedelta(days=20), "date_mid": AS_OF + pd.Timedelta(days=40),
             "date_last": AS_OF + pd.Timedelta(days=90), "text_target": "pass mark 10 s",
             "text_when": "half by mid-July"}
        )  # fmt: skip
    frames = [pd.concat(parts, ignore_index=True) for parts in (sets, level, fan)]
    return (*frames, pd.DataFrame(marks))


def chance_tables(*who: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    weeks = np.arange(0, 21)
    curve = pd.concat(
        [pd.DataFrame({"who": w, "week": weeks, "p_cleared": 1 - 0.8**weeks}) for w in who]
    )
    marks = pd.DataFrame(
        [
            {"who": w, "share": share, "week": week, "text": text, "low": 1.0, "high": 11.0}
            for w in who
            for share, week, text in [
                (0.1, 1.0, "1 in 10 by early June"), (0.5, 4.0, "half by late June"),
                (0.9, 11.0, "9 in 10 by mid-August"),
            ]
        ]
    )  # fmt: skip
    return curve.reset_index(drop=True), marks


def summary() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "athlete": ["Ada", "Bo", "Cy"],
            "rung_name": ["Wall hold", "Toe pulls", "Toe pulls"],
            "weeks_low": [2.0, 5.0, np.nan],
            "weeks_mid": [6.0, 12.0, np.nan],
            "weeks_high": [9.0, np.nan, np.nan],
            "date_mid": days("2026-07-13", "2026-08-24", ""),
            "state": ["climbing", "flat", "slipping"],
            "confidence": ["good", "fair", "thin"],
            "warnings": ["", "", "few sessions on this rung"],
        }
    )


def at_marks() -> pd.DataFrame:
    """One rung at three marks: the present one, one met already, and the present one again."""
    now = summary().iloc[[1]].assign(target=10.0, as_now=True, met_on=pd.NaT)
    met = now.assign(target=6.0, as_now=False, met_on=AS_OF - pd.Timedelta(days=9))
    met = met.assign(weeks_low=0.0, weeks_mid=0.0, weeks_high=0.0, date_mid=AS_OF)
    return pd.concat([now, met, now.assign(as_now=False)], ignore_index=True)


def plateau_rows() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "athlete": ["Ada", "Bo", "Cy"],
            "rung_name": "Toe pulls",
            "state": ["flat", "slipping", "unclear"],
            "since": days("2026-03-01", "2026-04-01", None),
            "since_low": days("2026-02-01", "2026-03-20", None),
            "since_high": days("2026-03-20", "2026-04-20", None),
            "reason": "gains too little",
        }
    )


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
    "progress": lambda: charts.progress(*progress_tables(ONE)),
    "progress of many": lambda: charts.progress(*progress_tables(ONE, TWO)),
    "chance": lambda: charts.chance_by_week(*chance_tables(ONE), as_of=AS_OF),
    "chance of many": lambda: charts.chance_by_week(
        *chance_tables(ONE, TWO), as_of=AS_OF, slider=True
    ),
    "waiting": lambda: charts.waiting_list(summary(), as_of=AS_OF, horizon_weeks=52),
    "ahead": lambda: charts.ladder_ahead(summary(), as_of=AS_OF, horizon_weeks=260),
    "marks": lambda: charts.by_mark(at_marks(), as_of=AS_OF, horizon_weeks=52, unit="s"),
    "plateaus": lambda: charts.plateau_timeline(plateau_rows(), as_of=AS_OF),
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
    return " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", picture))


def test_percentages_of_a_chart_are_written_as_in_sentences():
    words = drawn_words(CHARTS["chance"]())
    assert "50\u00a0%" in words
    assert GLUED.findall(words) == []


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


@pytest.mark.parametrize("name", CHARTS)
def test_a_chart_leaves_its_table_as_it_was(name):
    assert json.dumps(CHARTS[name]().to_dict()) == json.dumps(CHARTS[name]().to_dict())


def test_tables_are_not_changed():
    tables = progress_tables(ONE, TWO)
    before = [frame.copy() for frame in tables]
    charts.progress(*tables).to_dict()
    for frame, copy in zip(tables, before, strict=True):
        pd.testing.assert_frame_equal(frame, copy)


def test_a_list_to_pick_from_comes_with_several_only():
    assert "pick" not in named_parameters(charts.progress(*progress_tables(ONE)).to_dict())
    spec = charts.progress(*progress_tables(ONE, TWO)).to_dict()
    (pick,) = (p for p in spec["params"] if p["name"] == "pick")
    assert pick["value"] == ONE
    assert pick["bind"]["options"] == [ONE, TWO]


def test_only_what_is_drawn_is_written_into_the_chart():
    sets, level, fan, marks = progress_tables(ONE)
    spec = charts.progress(sets.assign(secret="x-secret"), level, fan, marks).to_dict()
    assert "x-secret" not in json.dumps(spec)
    spec = charts.waiting_list(
        summary().assign(secret="x-secret"), as_of=AS_OF, horizon_weeks=52
    ).to_dict()
    assert "x-secret" not in json.dumps(spec)


def test_progress_names_the_unit_the_mark_and_each_kind_of_set():
    words = drawn_words(charts.progress(*progress_tables(ONE)))
    for part in ("value of a set, s", "pass mark 10 s", "clean", "not clean", "with help"):
        assert part in words


def test_progress_says_when_it_was_cleared():
    sets, level, fan, marks = progress_tables(ONE)
    marks["cleared_on"] = pd.Timestamp("2026-05-15")
    before, after = (
        drawn_words(charts.progress(sets, level, fan, frame))
        for frame in (marks.assign(cleared_on=pd.NaT), marks)
    )
    assert after.split().count("cleared") == before.split().count("cleared") + 1


def test_chance_has_marks_dates_under_weeks_and_a_slider_on_demand():
    tables = chance_tables(ONE)
    words = drawn_words(charts.chance_by_week(*tables, as_of=AS_OF))
    for part in ("half by late June", "9 in 10 by mid-August", "1 Jun", "weeks from 1 Jun 2026"):
        assert part in words
    spec = charts.chance_by_week(*tables, as_of=AS_OF, slider=True).to_dict()
    assert "weeks" in named_parameters(spec)


def test_waiting_list_is_soonest_first_and_says_what_lies_past_the_horizon():
    chart = charts.waiting_list(summary().iloc[::-1], as_of=AS_OF, horizon_weeks=52)
    assert [row.split(" ")[0] for row in y_order(chart)] == ["Ada", "Bo", "Cy"]
    words = drawn_words(chart)
    assert "&gt; 52 weeks" in words
    assert "\u25b6" in words
    # Six weeks after 1 June, with a range of seven: the middle of July.
    assert "mid-July" in words


def test_a_narrow_range_gets_a_day():
    rows = summary().iloc[:1].assign(weeks_low=5.0, weeks_high=8.0)
    words = drawn_words(charts.waiting_list(rows, as_of=AS_OF, horizon_weeks=52))
    assert "about 13 July" in words


def test_ladder_ahead_has_the_top_rung_on_top():
    rows = summary().assign(athlete="Ada", rung_name=["low", "middle", "top"])
    chart = charts.ladder_ahead(rows, as_of=AS_OF, horizon_weeks=260)
    assert y_order(chart) == ["top", "middle", "low"]
    assert "Ada" in chart.to_dict()["description"]


def test_beside_pain_a_ladder_and_other_marks_have_no_dates():
    marks = ["pain", "climbing", "pain"]
    rows = summary().assign(athlete="Ada", rung_name=["low", "middle", "top"], mark=marks)
    chart = charts.ladder_ahead(rows, as_of=AS_OF, horizon_weeks=260)
    words = drawn_words(chart)
    assert words.count("on hold: pain is noted") == 2
    data = next(iter(chart.to_dict()["datasets"].values()))
    assert [row["weeks_mid"] is None for row in data] == [True, False, True]
    held = charts.by_mark(at_marks().assign(mark="pain"), as_of=AS_OF, horizon_weeks=52, unit="s")
    data = next(iter(held.to_dict()["datasets"].values()))
    assert all(row["held"] and row["weeks_mid"] is None for row in data)


def test_marks_are_told_once_each_and_say_which_is_met_or_the_present_one():
    chart = CHARTS["marks"]()
    assert y_order(chart) == ["6 s, cleared already", "10 s (as now)"]
    assert "Bo, Toe pulls" in chart.to_dict()["title"]["text"]
    assert "about 23 May" in drawn_words(chart)  # nine days before the cut, when it was met


def test_timeline_leaves_out_rows_without_a_date():
    words = drawn_words(charts.plateau_timeline(plateau_rows(), as_of=AS_OF))
    assert "flat since early March" in words  # no finer than it is known
    assert "slipping since about 1 April" in words
    assert "Cy" not in words


def test_coverage_is_drawn_against_what_it_should_be():
    rows = score_rows().assign(score="coverage_80", value=0.7, low=0.6, high=0.75)
    spec = charts.scores(rows, "coverage_80").to_dict()
    assert [{"said": 0.8}] in spec["datasets"].values()
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
    from forecast.charts.progress import KINDS, SHAPES

    assert len(set(SHAPES)) == len(SHAPES) == len(KINDS)


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
    curve, points = chance_tables(ONE, TWO)
    names = ("sets", "level", "fan", "marks")
    tables = SimpleNamespace(
        **dict(zip(names, progress_tables(ONE, TWO), strict=True)), curve=curve, points=points
    )
    long = "A sentence on a rung that goes on. " * 8
    words = pd.DataFrame({"who": [ONE, ONE, TWO], "text": ["Climbing.", long, "Flat."]})
    spec = charts.pick_a_rung(tables, words, as_of=AS_OF).to_dict()
    lists = [one for one in spec["params"] if one.get("bind", {}).get("input") == "select"]
    assert [one["bind"]["options"] for one in lists] == [[ONE, TWO]]
    filtered = json.dumps(spec).count("datum['who'] == pick")
    assert filtered >= 10  # every layer but the slider's rule goes by the one list
    lines = [
        row["text"]
        for rows in spec["datasets"].values()
        for row in rows
        if "line" in row and row["who"] == ONE
    ]
    assert " ".join(lines) == f"Climbing. {long.strip()}"
    assert max(map(len, lines)) <= 105
    drawn = vl_convert.vegalite_to_svg(spec)
    assert "Climbing." in drawn
    assert "Flat." not in drawn
