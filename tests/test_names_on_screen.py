"""Names are printed as they are: nothing in them is an order to the screen."""

from __future__ import annotations

from forecast.commands.common import print_report


def test_brackets_and_colons_in_names_are_no_markup(capsys, tmp_path):
    said = "[/b] of [bold]Bo[/bold] :smile: [link=x]y"
    print_report(lambda console: console.print(said))
    assert capsys.readouterr().out == f"{said}\n"
    print_report(lambda console: console.print(said), tmp_path / "out.txt")
    assert (tmp_path / "out.txt").read_text() == f"{said}\n"
