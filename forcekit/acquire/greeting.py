"""Has a device that speaks in frames answered its greeting? What it prints while it starts is no answer."""

from __future__ import annotations

from forcekit.acquire.arrival import Arrival, LinkEvent, Sink
from forcekit.acquire.receive import Receiver, receive
from forcekit.acquire.wire import Description, SampleFrames, join_description

__all__ = ["Greeting"]


class Greeting:
    """Listens on the way to a sink until the device has described itself and sends samples.

    Parameters
    ----------
    sink : callable
    described : bool
        A device file is at hand, so that samples alone are an answer.
    """

    def __init__(self, sink: Sink, *, described: bool) -> None:
        self._sink, self._described = sink, described
        self._parts: list[Description] = []
        self._sending = False
        self._receiver = Receiver()

    def unanswered(self) -> bool:
        """Whether the device is still to be greeted."""
        return not (self._described and self._sending)

    def take(self, item: Arrival | LinkEvent) -> None:
        """Sink of a link."""
        if isinstance(item, LinkEvent):
            if item.what in ("lost", "failed"):  # it may start anew, and starts silent
                self._sending, self._receiver = False, Receiver()
        elif self.unanswered():
            frames, self._receiver = receive(item.data, self._receiver)
            self._sending = self._sending or any(isinstance(f, SampleFrames) for f in frames)
            self._parts = [*self._parts, *(f for f in frames if isinstance(f, Description))][-255:]
            self._described = self._described or join_description(self._parts) is not None
        self._sink(item)
