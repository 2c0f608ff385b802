"""
The stack that tutorials show, for comparison: a model as request body, ORM objects, one commit a request.

    python -m tests.benchmark.plain_stack FILE.db PORT

It takes the bodies that `bench_ingest` sends in the layout `readings`, checks types, keeps the rows durably
under a unique key, and nothing more: no streams, no account, no quarantine, no keys.
"""

from __future__ import annotations

import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any

import sqlalchemy as sa
import uvicorn
from fastapi import FastAPI
from pydantic import BaseModel
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column


class Base(DeclarativeBase):
    pass


class Row(Base):
    __tablename__ = "plain_readings"
    stream: Mapped[str] = mapped_column(primary_key=True)
    seq: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[datetime]
    restriction: Mapped[float | None]
    engine_speed: Mapped[float | None]
    ambient_pressure: Mapped[float | None]
    supply_voltage: Mapped[float | None]
    boost_pressure: Mapped[float | None]


class OneReading(BaseModel):
    seq: int
    at: datetime
    restriction: float | None = None
    engine_speed: float | None = None
    ambient_pressure: float | None = None
    supply_voltage: float | None = None
    boost_pressure: float | None = None


class ManyReadings(BaseModel):
    device: str
    stream: str
    units: dict[str, str]
    readings: list[OneReading]


def _durable(connection: Any, _record: Any) -> None:
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")


def create_app(path: str) -> FastAPI:
    """The plain app over a SQLite file."""
    engine = sa.create_engine(f"sqlite:///{path}", connect_args={"timeout": 60})
    sa.event.listen(engine, "connect", _durable)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        Base.metadata.create_all(engine)
        yield
        engine.dispose()

    app = FastAPI(lifespan=lifespan)

    @app.post("/v1/readings")
    def post(many: ManyReadings) -> dict[str, int]:
        with Session(engine) as session:
            session.add_all(Row(stream=many.stream, **one.model_dump()) for one in many.readings)
            session.commit()
        return {"stored": len(many.readings)}

    return app


if __name__ == "__main__":
    uvicorn.run(create_app(sys.argv[1]), host="127.0.0.1", port=int(sys.argv[2]), log_level="warning")
