"""What modem and receiver say, against the published tables and another library's reading."""

from __future__ import annotations

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.sources.link_words import UNITS, checksum, csq_dbm, gga, of_line
from cleanside.gateway.units import QUANTITIES, accepts

#: 3GPP TS 27.007 clause 8.5, <rssi>. The standard itself was not at hand; the table is printed by Microsoft,
#: "WWAN_SIGNAL_STATE structure (wwan.h)" (learn.microsoft.com): -113 dBm or less 0, -111 1, -109 2 ... -51 or
#: more 31; and by libmbim, data/mbim-service-atds.json: 0-31 is -113 + 2 rssi, 99 unknown or undetectable.
TABLE = {0: -113.0, 1: -111.0, 2: -109.0, 30: -53.0, 31: -51.0, 99: None}
#: an example of the sentence as it is widely printed: 48° 07.038' N, 11° 31.000' E
EXAMPLE = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"


def sentence(content: str) -> str:
    return f"${content}*{checksum(content):02X}"


def fixed(quality: object = 1, satellites: object = "08", **parts: str) -> str:
    given = {
        "lat": "4807.038",
        "ns": "N",
        "lon": "01131.000",
        "ew": "E",
        "alt": "545.4",
        "unit": "M",
        **parts,
    }
    head = f"GPGGA,123519,{given['lat']},{given['ns']},{given['lon']},{given['ew']},{quality},{satellites}"
    return sentence(f"{head},0.9,{given['alt']},{given['unit']},46.9,M,,")


def test_all_that_is_said_has_a_quantity_that_takes_its_unit() -> None:
    assert all(accepts(unit, quantity) for quantity, unit in UNITS.items())
    assert set(UNITS) <= set(QUANTITIES)


@pytest.mark.parametrize(("rssi", "dbm"), TABLE.items())
def test_levels_are_those_of_the_standard(rssi: int, dbm: float | None) -> None:
    assert csq_dbm(f"+CSQ: {rssi},99") == dbm


@pytest.mark.parametrize("rssi", range(2, 31))
def test_each_step_between_is_two_decibels(rssi: int) -> None:
    assert csq_dbm(f"+CSQ: {rssi},0") == -109.0 + 2 * (rssi - 2)


@pytest.mark.parametrize(
    "line",
    [
        "",
        "OK",
        "+CSQ:",
        "+CSQ: 18",
        "+CSQ: 32,99",
        "+CSQ: -1,99",
        "+CSQ: 100,99",
        "+CSQ: 1８,99",
        "CSQ: 18,99",
    ],
)
def test_what_is_no_level_gives_none(line: str) -> None:
    assert csq_dbm(line) is None
    assert of_line(line) == {}


def test_the_printed_example_reads_as_it_says() -> None:
    found = gga(EXAMPLE)
    assert found["latitude"] == pytest.approx(48 + 7.038 / 60, abs=1e-9)
    assert found["longitude"] == pytest.approx(11 + 31.0 / 60, abs=1e-9)
    assert (found["altitude"], found["position_fix"], found["satellites"]) == (545.4, 1, 8)
    assert of_line(f"  {EXAMPLE}\r\n") == found


@given(
    st.integers(0, 89),
    st.integers(0, 59_999),
    st.integers(0, 179),
    st.integers(0, 59_999),
    st.sampled_from("NS"),
    st.sampled_from("EW"),
    st.integers(1, 5),
    st.integers(0, 40),
)
def test_positions_agree_with_another_library(
    lat: int, lat_min: int, lon: int, lon_min: int, ns: str, ew: str, quality: int, satellites: int
) -> None:
    """pynmea2 reads the same sentence."""
    line = fixed(
        quality,
        f"{satellites:02}",
        lat=f"{lat:02}{lat_min / 1000:06.3f}",
        lon=f"{lon:03}{lon_min / 1000:06.3f}",
        ns=ns,
        ew=ew,
    )
    ours, theirs = gga(line), pynmea2.parse(line, check=True)
    assert ours["latitude"] == pytest.approx(theirs.latitude, abs=1e-8)
    assert ours["longitude"] == pytest.approx(theirs.longitude, abs=1e-8)
    assert (ours["position_fix"], ours["satellites"]) == (theirs.gps_qual, int(theirs.num_sats))
    assert ours["altitude"] == theirs.altitude


@pytest.mark.parametrize("quality", [0, 6, 7, 8])
def test_without_a_measured_fix_there_is_no_position(quality: int) -> None:
    assert gga(fixed(quality)) == {"position_fix": quality, "satellites": 8}


@pytest.mark.parametrize(
    "line",
    [
        EXAMPLE.replace("*47", "*48"),
        EXAMPLE.replace("*47", ""),
        EXAMPLE.replace("4807", "4808"),
        EXAMPLE[1:],
        sentence("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W"),
        sentence("GPGGA,123519,4807.038,N,01131.000,E,9,08,0.9,545.4,M,46.9,M,,"),
        sentence("GPGGA,,,,,,,,,,,,"),
        "",
        "$" * 200,
    ],
)
def test_what_is_no_sentence_gives_nothing(line: str) -> None:
    assert gga(line) == {}


@pytest.mark.parametrize(
    "odd",
    [
        {"lat": "9100.000"},
        {"lat": "4860.000"},
        {"lat": "48.038"},
        {"ns": "X"},
        {"ns": ""},
        {"lon": "18100.000"},
        {"ew": "N"},
    ],
)
def test_a_position_that_cannot_be_is_left_out_and_the_fix_stays(odd: dict[str, str]) -> None:
    assert gga(fixed(**odd)) == {"position_fix": 1, "satellites": 8}


def test_an_altitude_in_another_unit_is_left_out() -> None:
    assert "altitude" not in gga(fixed(unit="F"))


@given(st.text(max_size=200))
def test_no_line_makes_it_raise(line: str) -> None:
    assert set(of_line(line)) <= set(UNITS)
