"""The database itself holds that a stream belongs to one device of its owner."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from cleanside.ingest.store.models import devices, streams
from tests.support.serving import DEVICE, STREAM, batch, in_process

OTHER = "hauler-11-intake"


def test_a_second_row_of_a_stream_is_refused_whichever_device_it_names(database_url: str) -> None:
    with in_process(database_url) as api:
        api.register()
        api.register(OTHER, machine="hauler-11")
        api.send(batch(1, [3.0]))

        def claim(connection: sa.Connection) -> None:
            row = connection.execute(sa.select(streams).where(streams.c.stream == STREAM)).one()._asdict()
            del row["id"]
            other = sa.select(devices.c.id).where(devices.c.name == OTHER)
            again = row | {"device_id": connection.scalars(other).one()}
            assert again["device_id"] != row["device_id"]
            with pytest.raises(sa.exc.IntegrityError), connection.begin_nested():
                connection.execute(sa.insert(streams).values(again))
            counted = sa.select(devices.c.name).join(streams).where(streams.c.stream == STREAM)
            assert connection.scalars(counted).all() == [DEVICE]

        api.resources.writer.call(claim)
