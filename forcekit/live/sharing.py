"""Who may look and who may change: this machine, and guests let in with a one-time code.

Whoever sits at this machine is the coach. Somebody in the gym's network is a guest: the coach shows a code, the guest
types it or scans it, and from then on a cookie tells who it is. A guest is a **helper** (a second screen of the
coach, may change everything but sharing) or a **lifter** (sees own lifts only, changes nothing).
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import threading
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Literal

from forcekit.errors import InputError

__all__ = [
    "HERE_NAMES",
    "Door",
    "Guest",
    "Invitation",
    "Role",
    "host_of",
    "is_here",
    "own_addresses",
    "same_origin",
]

Role = Literal["coach", "helper", "lifter"]

CODE_DIGITS = 6
CODE_LIFE_S = 300.0
"""How long a code may be used (our choice: time to walk over and scan it)."""
CODE_TRIES = 5
"""Wrong tries after which the code is withdrawn: one in 200 000 for somebody who guesses six digits (our choice)."""
MOST_GUESTS = 40
NAME_LENGTH = 60
HERE_NAMES = ("127.0.0.1", "localhost", "[::1]")
"""Names under which a browser on this machine finds the page."""


@dataclass(frozen=True, slots=True)
class Invitation:
    """A code that lets one guest in, once."""

    code: str
    role: Role
    athlete: str | None
    """Whose lifts a lifter may see."""
    until_s: float


@dataclass(frozen=True, slots=True)
class Guest:
    """Somebody who was let in."""

    number: int
    name: str
    role: Role
    athlete: str | None
    since_s: float


@dataclass(slots=True)
class Door:
    """The open invitation and the guests; safe to use from several threads.

    Parameters
    ----------
    clock : callable
        Seconds that only grow.
    """

    clock: Callable[[], float] = time.monotonic
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _open: Invitation | None = None
    _tries: int = 0
    _guests: dict[str, Guest] = field(default_factory=dict)
    _count: int = 0

    def invite(self, role: Role, athlete: str | None = None) -> Invitation:
        """Make a new code; one that is still open is withdrawn.

        Raises
        ------
        InputError
            If a lifter is invited without a name.
        """
        if role == "coach":
            raise InputError("sharing: the coach sits at this machine; invite a helper or a lifter.")
        if role == "lifter" and not athlete:
            raise InputError("sharing: a lifter's page shows one lifter's own lifts; choose the lifter first.")
        code = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"
        made = Invitation(code, role, athlete if role == "lifter" else None, self.clock() + CODE_LIFE_S)
        with self._lock:
            self._open, self._tries = made, CODE_TRIES
        return made

    def withdraw(self) -> None:
        """Let nobody in with the code that is open."""
        with self._lock:
            self._open = None

    def invitation(self) -> Invitation | None:
        """The invitation that is open now."""
        with self._lock:
            return self._still_open()

    def let_in(self, code: str, name: str) -> str:
        """Use up the code; gives the token by which the guest is known from now on.

        Raises
        ------
        InputError
            If no code is open, the code is wrong, or the name cannot be shown.
        """
        digits = "".join(c for c in code if c.isdigit() and c.isascii())
        name = " ".join(name.split())[:NAME_LENGTH]
        if not name or not name.isprintable():
            raise InputError("Say who you are; the coach sees this name beside the screen.")
        with self._lock:
            invitation = self._still_open()
            if invitation is None:
                raise InputError("No code is open now. Ask the coach for a new one.")
            if not hmac.compare_digest(digits, invitation.code):
                self._tries -= 1
                if self._tries <= 0:
                    self._open = None
                    raise InputError("That was wrong too often; the code was withdrawn. Ask the coach for a new one.")
                raise InputError("That is not the code on the coach's screen. Look again.")
            if len(self._guests) >= MOST_GUESTS:
                raise InputError(f"{MOST_GUESTS} guests are in; ask the coach to show somebody out first.")
            self._open = None
            self._count += 1
            token = secrets.token_urlsafe(32)
            self._guests[token] = Guest(self._count, name, invitation.role, invitation.athlete, self.clock())
            return token

    def guest(self, token: str | None) -> Guest | None:
        """The guest a token belongs to."""
        with self._lock:
            return self._guests.get(token or "")

    def show_out(self, number: int) -> Guest:
        """Forget a guest.

        Raises
        ------
        InputError
            If there is none of this number.
        """
        with self._lock:
            for token, guest in self._guests.items():
                if guest.number == number:
                    return self._guests.pop(token)
        raise InputError(f"sharing: there is no guest {number}; perhaps somebody else showed the guest out.")

    def guests(self) -> tuple[Guest, ...]:
        """All guests, in the order in which they came."""
        with self._lock:
            return tuple(self._guests.values())

    def _still_open(self) -> Invitation | None:
        if self._open is not None and self.clock() >= self._open.until_s:
            self._open = None
        return self._open


def host_of(header: str) -> str:
    """Name in a Host header, without its port and in lower case.

    Examples
    --------
    >>> host_of("LocalHost:8123"), host_of("[::1]:80"), host_of("192.168.1.7")
    ('localhost', '[::1]', '192.168.1.7')
    """
    name = header.strip().lower()
    if name.startswith("["):
        return name.partition("]")[0] + "]"
    return name.partition(":")[0]


def same_origin(origin: str | None, host_header: str) -> bool:
    """Whether an Origin header is that of the page itself, scheme http and same host and port.

    Examples
    --------
    >>> same_origin("http://127.0.0.1:8123", "127.0.0.1:8123"), same_origin("http://evil.test", "127.0.0.1:8123")
    (True, False)
    >>> same_origin(None, "127.0.0.1:8123"), same_origin("null", "127.0.0.1:8123")
    (False, False)
    """
    host = host_header.strip().lower()
    return bool(host) and (origin or "").lower() == f"http://{host}"


def is_here(peer: str | None, host_header: str) -> bool:
    """Whether a request comes from a browser on this machine that names it as this machine."""
    try:
        loopback = ipaddress.ip_address(peer or "").is_loopback
    except ValueError:
        return False
    return loopback and host_of(host_header) in HERE_NAMES


def own_addresses() -> Collection[str]:
    """Addresses and names under which others in the network find this machine, the best one first.

    Notes
    -----
    A datagram socket that is connected tells its own address without sending anything; the address it is connected to
    belongs to the range kept for documentation (RFC 5737).
    """
    import socket

    found: list[str] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            found.append(str(probe.getsockname()[0]))
        except OSError:
            pass
    name = socket.gethostname().lower()
    return [a for a in dict.fromkeys([*found, name, f"{name}.local"]) if a and not a.startswith("127.")]
