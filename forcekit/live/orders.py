"""What a page may ask for: each order is checked, and then handed to the session or the door."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import msgspec
from msgspec import UNSET, UnsetType

from forcekit.errors import ForcekitError, InputError
from forcekit.live.sharing import Door, Role

if TYPE_CHECKING:
    from forcekit.live.session import LiveSession

__all__ = ["Done", "Order", "Refused", "carry_out", "read_order"]


class Order(msgspec.Struct, tag_field="do", kw_only=True, forbid_unknown_fields=True, frozen=True):
    """What every order carries: a number by which the page knows the answer."""

    number: int


class SetCard(Order, tag="card", frozen=True):
    """Change who lifts what, for the lifts to come; what is left out stays."""

    athlete: str | UnsetType | None = UNSET
    movement: str | UnsetType | None = UNSET
    load_kg: float | UnsetType | None = UNSET
    drill: str | UnsetType | None = UNSET
    cue: str | UnsetType | None = UNSET


class Mark(Order, tag="mark", frozen=True):
    """Say how a rep ended."""

    rep: int
    outcome: str | None


class Note(Order, tag="note", frozen=True):
    """Write a remark to a rep."""

    rep: int
    text: str


class Undo(Order, tag="undo", frozen=True):
    """Take the last entry back."""


class StartTrial(Order, tag="trial", frozen=True):
    """Begin a cue trial."""

    kind: Literal["cue", "drill"]
    words: str
    measure: str | None = None


class StopTrial(Order, tag="stop trial", frozen=True):
    """End the cue trial."""


class Zero(Order, tag="zero", frozen=True):
    """Take the plate's zero."""


class Check(Order, tag="check", frozen=True):
    """Compare the plate with one known mass."""

    mass_kg: float


class Invite(Order, tag="invite", frozen=True):
    """Show a code that lets one guest in."""

    role: Literal["helper", "lifter"]
    athlete: str | None = None


class Withdraw(Order, tag="withdraw", frozen=True):
    """Take the open code back."""


class ShowOut(Order, tag="show out", frozen=True):
    """Show a guest out."""

    guest: int


AnyOrder = (
    SetCard | Mark | Note | Undo | StartTrial | StopTrial | Zero | Check | Invite | Withdraw | ShowOut
)  # fmt: skip
_DECODER: msgspec.json.Decoder[AnyOrder] = msgspec.json.Decoder(AnyOrder)
LONGEST_ORDER = 10_000
"""Bytes; a remark is the longest thing a page sends."""


class Done(msgspec.Struct, tag_field="kind", tag="done", frozen=True):
    """The order was carried out; `words` says what a person should hear of it."""

    number: int
    words: str = ""


class Refused(msgspec.Struct, tag_field="kind", tag="refused", frozen=True):
    """The order was not carried out, and why."""

    number: int
    why: str


def read_order(text: str) -> AnyOrder:
    """Read an order as a page sends it.

    Raises
    ------
    InputError
        If it is none.
    """
    if len(text) > LONGEST_ORDER:
        raise InputError(
            f"the page sent {len(text)} characters; an order has at most {LONGEST_ORDER}. Reload the page."
        )
    try:
        return _DECODER.decode(text)
    except (msgspec.DecodeError, UnicodeError) as error:
        raise InputError(f"the page sent something that is no order ({error}). Reload the page.") from error


def carry_out(order: AnyOrder, session: LiveSession, door: Door, role: Role, *, shared: bool) -> Done | Refused:
    """Do what an order asks for; a refusal is an answer, never an exception.

    Parameters
    ----------
    order : one of the orders
    session : LiveSession
    door : Door
    role : str
        Of who asks: a lifter changes nothing, a helper does not share.
    shared : bool
        Whether the page can be reached from the network at all.
    """
    if role == "lifter":
        return Refused(order.number, "This page only shows; the coach's page changes things.")
    if isinstance(order, Invite | Withdraw | ShowOut) and role != "coach":
        return Refused(order.number, "Only the coach's own machine lets guests in and shows them out.")
    try:
        return Done(order.number, _done(order, session, door, shared=shared))
    except ForcekitError as error:
        return Refused(order.number, str(error))


def _done(order: AnyOrder, session: LiveSession, door: Door, *, shared: bool) -> str:
    """Hand an order on; gives what a person should hear."""
    match order:
        case SetCard():
            fields = {f: v for f in order.__struct_fields__ if f != "number" and (v := getattr(order, f)) is not UNSET}
            session.set_card(**fields)
        case Mark():
            session.mark(order.rep, order.outcome)
        case Note():
            session.note(order.rep, order.text)
        case Undo():
            back = session.undo()
            return f"Taken back: {back}." if back else "There is nothing to undo."
        case StartTrial():
            session.start_trial(order.kind, order.words, order.measure)
        case StopTrial():
            session.stop_trial()
        case Zero():
            return _said(session.zero())
        case Check():
            return _said(session.check(order.mass_kg))
        case Invite():
            if not shared:
                raise InputError(
                    "sharing is off; start `forcekit live` with --share to let others in the network look."
                )
            door.invite(order.role, order.athlete)
        case Withdraw():
            door.withdraw()
        case ShowOut():
            return f"{door.show_out(order.guest).name} was shown out."
    return ""


def _said(told: Any) -> str:
    """Sentence a call of the session gave, if it gave one."""
    if isinstance(told, dict):
        told = told.get("sentence", "")
    return told if isinstance(told, str) else ""
