"""What looks like a secret is masked even where the text is not an address of a database."""

from __future__ import annotations

import pytest

from forecast.errors import LogError
from forecast.log import read_log
from forecast.log.secrets import shown_url, without_secrets


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("sqlite//x.db?password=open&mode=ro", "sqlite//x.db?password=***&mode=ro"),
        ("club.csv?api_key=open", "club.csv?api_key=***"),
        ("sqlite:///x&DB_PWD=open", "sqlite:///x&DB_PWD=***"),
        ("monkey=banana.csv", "monkey=banana.csv"),
        ("passing=clouds.csv", "passing=***"),  # better once too often
        ("club.csv", "club.csv"),
    ],
)
def test_settings_that_tell_a_secret(text, shown):
    assert shown_url(text) == shown


def test_every_way_a_driver_may_quote_a_secret():
    said = "p%26w d p&w%0Dd 'p&w\\rd' p%26w%0Dd"
    assert "w" not in without_secrets(said, ["p&w\rd"]).replace("p%26w d", "").replace(
        "p&w%0Dd", ""
    )


@pytest.mark.parametrize("name", ["sql//x?password=hunter2", "x" * 5000 + "&password=hunter2"])
def test_no_message_of_a_file_tells_one(ladder, name):
    with pytest.raises(LogError) as caught:
        read_log(name, ladder)
    assert "hunter2" not in str(caught.value)


@pytest.mark.parametrize(
    "address", ["sqlite:///{}/no.db?mode=rwc&uri=true", "sqlite:///{}/no.db?uri=1"]
)
def test_an_address_makes_no_file(ladder, tmp_path, address):
    with pytest.raises(LogError, match="There is no database file"):
        read_log(address.format(tmp_path), ladder)
    assert list(tmp_path.iterdir()) == []
