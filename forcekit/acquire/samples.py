"""Samples as the decoders make them, and the state the decoders carry."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from forcekit.acquire.receive import Receiver
from forcekit.acquire.unwrap import Unwrapped
from forcekit.acquire.wire import Description
from forcekit.model import DeviceFile, FloatArray

__all__ = ["Batch", "Decoder", "batches_of"]


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Samples of one arrival on one run of the device's clock.

    Attributes
    ----------
    epoch : int
        Counts restarts of the device's clock.
    tick : array, shape (n,)
        Device's clock in ticks, strictly increasing within an epoch, wraps taken out.
    raw : array, shape (n, k)
        One column a channel, in the order of the device file.
    host_s : float, second
        Laptop's clock at the arrival.
    """

    epoch: int
    tick: FloatArray
    raw: FloatArray
    host_s: float


@dataclass(frozen=True, slots=True)
class Decoder:
    """What the decoder of one device carries from arrival to arrival."""

    device: DeviceFile | None
    source: str
    form: Literal["frames", "lines", "payload"]
    own_file: bool
    receiver: Receiver = field(default_factory=Receiver)
    parts: tuple[Description, ...] = ()
    clock: Unwrapped = field(default_factory=Unwrapped)
    tick_s: float = 1e-6
    next_index: int | None = None
    """Index the next sample should have; None at the start and when the device counts nothing."""
    tail: bytes = b""
    """Half a line."""
    joined: bool = False
    n_lines: int = 0
    """Samples counted, for a device without a clock and without a counter."""
    n_samples: int = 0
    n_lost: int = 0
    n_repeated: int = 0
    n_foreign: int = 0
    """Lines or notifications that are not what the device file says."""

    @property
    def counts_losses(self) -> bool:
        """Whether the device counts what it sends, so that what was lost on the way is known."""
        if self.form == "frames":
            return True
        fields = () if self.device is None or self.device.link is None else self.device.link.header_fields
        return "counter" in fields and "time" not in fields

    @property
    def n_bad(self) -> int:
        """Damaged frames, or lines and notifications that could not be read."""
        return self.receiver.n_bad + self.n_foreign


def batches_of(
    tick: FloatArray, epoch: npt.NDArray[np.int64], raw: npt.NDArray[np.generic], host_s: float
) -> list[Batch]:
    """Cut samples where the epoch changes."""
    if tick.size == 0:
        return []
    values = raw.astype(np.float64)
    if epoch[0] == epoch[-1]:  # epochs only count up
        return [Batch(int(epoch[0]), tick, values, host_s)]
    cuts = np.flatnonzero(np.diff(epoch)) + 1
    starts, ends = np.r_[0, cuts], np.r_[cuts, tick.size]
    return [Batch(int(epoch[a]), tick[a:b], values[a:b], host_s) for a, b in zip(starts, ends, strict=True)]
