"""
A genset's controller for tests: pymodbus' own server, over TCP on loopback or over a serial line of two ptys.

Promises: keeps the function code of every request, so that a test sees what was asked.
"""

from __future__ import annotations

import asyncio
import os
import select
import threading
import tty
from collections.abc import Coroutine, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

from pymodbus.pdu import ModbusPDU
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


class Controller:
    """A simulated controller with holding and input registers; use `over_tcp` or `over_serial`."""

    def __init__(self, holding: Sequence[SimData], inputs: Sequence[SimData]) -> None:
        nothing = [SimData(0, values=False, datatype=DataType.BITS)]
        self._device = SimDevice(1, (nothing, nothing, list(holding), list(inputs)))
        #: function codes of the requests that came, in order
        self.codes: list[int] = []
        self.port = 0

    def trace(self, is_sent: bool, pdu: ModbusPDU) -> ModbusPDU:
        """Keep what was asked."""
        if not is_sent:
            self.codes.append(pdu.function_code)
        return pdu

    @contextmanager
    def over_tcp(self, port: int = 0) -> Iterator[Controller]:
        """Serve on loopback; 0: a free port."""

        async def start() -> ModbusTcpServer:
            server = ModbusTcpServer(self._device, address=("127.0.0.1", port), trace_pdu=self.trace)
            await server.listen()
            listening: Any = server.transport
            self.port = listening.sockets[0].getsockname()[1]
            return server

        with _serving(start):
            yield self

    @contextmanager
    def over_serial(self) -> Iterator[str]:
        """Serve on one end of a line; gives the name of the other end."""
        with _line() as (ours, theirs):

            async def start() -> ModbusSerialServer:
                server = ModbusSerialServer(self._device, port=ours, trace_pdu=self.trace)
                await server.listen()
                return server

            with _serving(start):
                yield theirs


@contextmanager
def _serving(start: Any) -> Iterator[None]:
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()

    def do(what: Coroutine[Any, Any, Any]) -> Any:
        return asyncio.run_coroutine_threadsafe(what, loop).result(10)

    server = do(start())
    try:
        yield
    finally:
        do(server.shutdown())
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()


@contextmanager
def _line() -> Iterator[tuple[str, str]]:
    """Two serial ports with a cable between them."""
    ends = [os.openpty(), os.openpty()]
    for _, port in ends:
        tty.setraw(port)
    stop = threading.Event()
    cable = threading.Thread(target=_carry, args=(ends[0][0], ends[1][0], stop), daemon=True)
    cable.start()
    try:
        yield os.ttyname(ends[0][1]), os.ttyname(ends[1][1])
    finally:
        stop.set()
        cable.join(5)
        for end in ends:
            for descriptor in end:
                with suppress(OSError):
                    os.close(descriptor)


def _carry(one: int, other: int, stop: threading.Event) -> None:
    while not stop.is_set():
        for end in select.select([one, other], [], [], 0.05)[0]:
            os.write(other if end == one else one, os.read(end, 4096))
