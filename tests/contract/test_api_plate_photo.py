"""A photo of the plate: bounded, a JPEG or nothing, a few for each housing, never in the audit log."""

from __future__ import annotations

import base64
from collections.abc import Iterator

import pytest

from cleanside.ingest.api.routes.plate_photo import MOST_BYTES, ONE_PIXEL
from tests.support.serving import Api, in_process

PATH = "/v1/machines/grader-07/plate-photo"


@pytest.fixture
def api(database_url: str) -> Iterator[Api]:
    with in_process(database_url) as running:
        running.register()
        yield running


def jpeg(size: int, filler: bytes = b"x") -> str:
    """A JPEG of one pixel, filled up to this many bytes after its picture."""
    one = base64.b64decode(ONE_PIXEL)
    return base64.b64encode(one[:-2] + filler * (size - len(one)) + one[-2:]).decode()


def of_size(width: int, height: int) -> str:
    """A JPEG that claims to be of this size (ITU-T T.81, B.2.2)."""
    frame = b"\xff\xc0\x00\x0b\x08"
    head, _, rest = base64.b64decode(ONE_PIXEL).partition(frame)
    claimed = height.to_bytes(2) + width.to_bytes(2)
    return base64.b64encode(head + frame + claimed + rest[4:]).decode()


def around(content: bytes) -> str:
    """Content between the first and the last marker of a JPEG."""
    return base64.b64encode(b"\xff\xd8\xff" + content + b"\xff\xd9").decode()


def test_the_newest_photo_is_given_and_a_few_are_kept(api: Api) -> None:
    assert api.get(PATH).json()["photo"] is None
    for filler in (b"a", b"b", b"c", b"d", b"e", b"f"):
        kept = api.post(PATH, {"jpeg": jpeg(200, filler)}, key="planner").json()["photo"]
        assert kept["jpeg"] == jpeg(200, filler)
    assert api.get(PATH).json()["photo"]["jpeg"] == jpeg(200, b"f")
    with api.resources.reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM plate_photos").scalar() == 4


@pytest.mark.parametrize(
    ("given", "status"),
    [
        (jpeg(MOST_BYTES), 200),
        (jpeg(MOST_BYTES + 3), 422),
        (base64.b64encode(b"\x89PNG\r\n\x1a\n" + b"x" * 50).decode(), 422),
        (base64.b64encode(b"<script>alert(1)</script>").decode(), 422),
        (around(b"<script>alert(1)</script>"), 422),
        (around(b"\xe0\x00\x10" + b"x" * 14 + b"<script>alert(1)</script>"), 422),
        (around(b"\xda\x00\x08" + b"x" * 50), 422),
        (around(b"\xff" * 50), 422),
        (of_size(4_000, 3_000), 200),
        (of_size(65_500, 65_500), 422),
        (of_size(65_500, 0), 422),
        ("not base64", 422),
        (ONE_PIXEL[:-8], 422),
        ("", 422),
    ],
)
def test_only_a_whole_jpeg_of_a_bounded_size_is_kept(api: Api, given: str, status: int) -> None:
    answer = api.post(PATH, {"jpeg": given}, key="planner")
    assert answer.status_code == status
    assert (api.get(PATH).json()["photo"] is not None) == (status == 200)


def test_the_audit_says_how_large_it_was_and_no_more(api: Api) -> None:
    api.post(PATH, {"jpeg": jpeg(5_000)}, key="planner")
    [line] = api.get("/v1/audit", params={"what": "plate_photo"}).json()["entries"]
    assert line["values"] == {"machine": "grader-07", "housing": "main", "bytes": 5_000}


def test_the_page_shows_it_as_a_picture_and_nothing_else(api: Api) -> None:
    assert api.get("/visit/grader-07/plate.jpg").status_code == 404
    api.post(PATH, {"jpeg": ONE_PIXEL}, key="planner")
    picture = api.get("/visit/grader-07/plate.jpg")
    assert picture.headers["content-type"] == "image/jpeg"
    assert picture.headers["x-content-type-options"] == "nosniff"
    assert picture.content == base64.b64decode(ONE_PIXEL)
    assert "/visit/grader-07/plate.jpg?housing=main" in api.get("/visit/grader-07").text
