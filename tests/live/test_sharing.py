"""Who is let in: one code for one guest, and only under this machine's own names."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forcekit.errors import InputError
from forcekit.live.sharing import CODE_LIFE_S, CODE_TRIES, Door, host_of, is_here, own_addresses, same_origin


class Clock:
    """Seconds a test sets."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


def test_a_code_lets_one_guest_in_and_no_second() -> None:
    """After its use the code is gone, and the guest is known by a token nobody can guess."""
    door = Door()
    code = door.invite("helper").code
    token = door.let_in(code, "Tablet")
    assert "Tablet" == door.guest(token).name  # type: ignore[union-attr]
    assert len(token) >= 43  # 32 random bytes in base 64
    assert door.invitation() is None
    with pytest.raises(InputError, match="No code is open"):
        door.let_in(code, "Second")


def test_a_code_ends_with_time() -> None:
    """A code that nobody used in its time is no longer taken."""
    clock = Clock()
    door = Door(clock)
    code = door.invite("helper").code
    clock.now = CODE_LIFE_S
    with pytest.raises(InputError, match="No code is open"):
        door.let_in(code, "Late")


def test_guessing_withdraws_the_code() -> None:
    """After the last wrong try the right code does not help either."""
    door = Door()
    code = door.invite("lifter", "Ines Falkner").code
    wrong = f"{(int(code) + 1) % 10**6:06d}"
    for _ in range(CODE_TRIES - 1):
        with pytest.raises(InputError, match="not the code"):
            door.let_in(wrong, "Guesser")
    with pytest.raises(InputError, match="wrong too often"):
        door.let_in(wrong, "Guesser")
    with pytest.raises(InputError, match="No code is open"):
        door.let_in(code, "Guesser")


def test_a_new_code_replaces_the_old_one() -> None:
    """Only one code is open at a time."""
    door = Door()
    old = door.invite("helper").code
    new = door.invite("lifter", "Ines Falkner")
    if old != new.code:
        with pytest.raises(InputError, match="not the code"):
            door.let_in(old, "Old")
    guest = door.guest(door.let_in(new.code[:3] + " " + new.code[3:], "Ines"))
    assert guest is not None
    assert ("lifter", "Ines Falkner") == (guest.role, guest.athlete)


def test_a_guest_who_is_shown_out_is_unknown() -> None:
    """The token is worth nothing afterwards, and showing out twice says so."""
    door = Door()
    token = door.let_in(door.invite("helper").code, "Tablet")
    number = door.guests()[0].number
    door.show_out(number)
    assert door.guest(token) is None
    with pytest.raises(InputError, match=f"no guest {number}"):
        door.show_out(number)


@pytest.mark.parametrize("name", ["", "   ", "a\u202eb", "bell\x07"])
def test_a_guest_has_a_name_that_can_be_seen(name: str) -> None:
    """A name nobody can read is refused, and the code stays open."""
    door = Door()
    code = door.invite("helper").code
    with pytest.raises(InputError, match="who you are"):
        door.let_in(code, name)
    assert door.invitation() is not None


def test_a_lifters_code_says_whose_lifts() -> None:
    """Without a lifter there is nothing to show, and the coach's place is not given away."""
    with pytest.raises(InputError, match="choose the lifter"):
        Door().invite("lifter")
    with pytest.raises(InputError, match="invite a helper or a lifter"):
        Door().invite("coach")


@pytest.mark.parametrize(
    ("peer", "host", "here"),
    [
        ("127.0.0.1", "127.0.0.1:8146", True),
        ("::1", "[::1]:8146", True),
        ("127.0.0.1", "localhost:8146", True),
        ("127.0.0.1", "rebound.test:8146", False),
        ("127.0.0.1", "192.168.1.7:8146", False),
        ("192.168.1.9", "127.0.0.1:8146", False),
        (None, "127.0.0.1", False),
        ("unix", "localhost", False),
    ],
)
def test_the_coach_is_who_sits_here(peer: str | None, host: str, here: bool) -> None:
    """Both the connection and the name in the browser must be this machine's own."""
    assert here == is_here(peer, host)


@given(st.text(max_size=40))
def test_no_header_breaks_the_check(text: str) -> None:
    """Whatever a stranger writes into Host and Origin is compared, never trusted or tripped over."""
    assert is_here("10.0.0.1", text) is False
    host_of(text)
    answer = same_origin(text, "127.0.0.1:8146")
    assert answer == (text.lower() == "http://127.0.0.1:8146")


def test_own_addresses_are_not_the_loopback() -> None:
    """Guests are never told 127.0.0.1, which is their own machine."""
    assert [a for a in own_addresses() if a.startswith("127.")] == []
