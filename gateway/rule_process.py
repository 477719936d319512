"""The process that runs rule files: one of its own, because a rule may be slow, wrong or worse.

A stylesheet cannot be stopped from outside while it runs, and the processor that runs it is a foreign library with
threads and memory of its own. So it runs here, and a rule that takes too long costs this process its life: an alarm
of the operating system ends it, whatever it is doing, also when the gateway itself has died meanwhile. A rule file
may read no file and no network, write nothing and call nothing: the processor is closed before it sees a rule.

Orders come in and answers go out as MessagePack, over a connection that the parent has made. Nothing is written
anywhere else: the processor's own words may quote the report.
"""

import signal
import sys
from multiprocessing.connection import Connection
from typing import Any

import msgspec
import saxonche

from gateway.rule_orders import Answer, Broken, Compile, Done, Order, Run

#: What a rule file may do outside of the report it is given: nothing (features of Saxon, by their published names).
CLOSED = {
    "http://saxon.sf.net/feature/allowedProtocols": "none",
    "http://saxon.sf.net/feature/allow-external-functions": "false",
}


class Processor:
    """The foreign processor, closed off, with the stylesheets made ready so far."""

    def __init__(self) -> None:
        self._saxon = saxonche.PySaxonProcessor(license=False)
        for name, value in CLOSED.items():
            self._saxon.set_configuration_property(name, value)
        self._compiler = self._saxon.new_xslt30_processor()
        self._ready: dict[str, Any] = {}

    def answer(self, order: Order) -> Answer:
        """Do what is asked."""
        signal.setitimer(signal.ITIMER_REAL, order.seconds)  # nobody catches it: it ends the process
        try:
            return self._compile(order) if isinstance(order, Compile) else self._run(order)
        except saxonche.PySaxonApiError as error:
            return Broken(str(error))
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)

    def _compile(self, order: Compile) -> Answer:
        self._ready[order.name] = self._compiler.compile_stylesheet(stylesheet_text=order.stylesheet)
        return Done()

    def _run(self, order: Run) -> Answer:
        ready = self._ready[order.name]
        ready.set_parameter("bandgate-headers", self._saxon.make_integer_value(order.headers))
        ready.set_parameter("bandgate-reports", self._saxon.make_integer_value(order.reports))
        return Done(ready.transform_to_string(xdm_node=self._saxon.parse_xml(xml_text=order.part)))


def serve(connection: Connection) -> None:
    """Answer orders until the parent has gone."""
    processor = Processor()
    decode, encode = msgspec.msgpack.Decoder(Order).decode, msgspec.msgpack.encode
    while True:
        try:
            order = decode(connection.recv_bytes())
        except EOFError:
            return
        connection.send_bytes(encode(processor.answer(order)))


if __name__ == "__main__":
    with Connection(int(sys.argv[1])) as own:
        serve(own)
