"""Language and zone of who looks, whatever their browser sends. Weights: RFC 9110 section 12.5.4."""

from __future__ import annotations

import pytest

from cleanside.ingest.console.viewer import locale_of, zone_named


@pytest.mark.parametrize(
    ("accepted", "chosen", "locale"),
    [
        ("de-CH,de;q=0.9,en;q=0.8", "", "de_CH"),
        ("en-US,en;q=0.9,de;q=0.8", "", "en_US"),
        ("en-US,en;q=0.9,de;q=0.8", "de", "de"),
        ("de-AT", "en", "en_GB"),
        ("fr-FR,fr;q=0.9,de;q=0.5,en;q=0.4", "", "de"),
        ("fr", "", "en_GB"),
        ("en", "", "en_GB"),
        ("", "", "en_GB"),
        ("de;q=0, en", "", "en_GB"),
        ("en;q=0.1,de;q=0.2", "", "de"),
        ("de-ZZZZZZZZZ", "", "de"),
        (";;;q=x,,=", "", "en_GB"),
        ("de;q=nan", "", "en_GB"),
    ],
)
def test_the_first_wanted_language_that_there_is(accepted: str, chosen: str, locale: str) -> None:
    assert str(locale_of(accepted, chosen)) == locale


@pytest.mark.parametrize(
    "name", ["", "Nowhere/Here", "../../etc/passwd", "/etc/localtime", "Europe/", "\x00", "x" * 64]
)
def test_a_made_up_zone_is_none(name: str) -> None:
    assert zone_named(name) is None


def test_a_zone_is_found_by_its_name() -> None:
    zone = zone_named("Europe/Berlin")
    assert zone is not None
    assert zone.key == "Europe/Berlin"
