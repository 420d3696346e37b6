"""Which copies go first, when some have to. All that counts is their age and whether they are whole."""

from collections.abc import Collection, Sequence
from typing import Protocol, TypeVar

__all__ = ["beyond", "newest_whole", "order_of_going"]


class Aged(Protocol):
    """A copy, one of several in the order of their age."""

    @property
    def is_whole(self) -> bool:
        """Whether nothing was found wrong with it."""
        ...


AnyCopy = TypeVar("AnyCopy", bound=Aged)


def order_of_going(copies: Sequence[AnyCopy], stay: Collection[AnyCopy] = ()) -> tuple[AnyCopy, ...]:
    """Those that may go, the first to go first. copies: the oldest first. stay: those that must not.

    Damaged ones go before whole ones, old ones before new ones. The newest of all stays, for it has what no other can
    have yet; and so does the newest that is whole.
    """
    kept = (*copies[-1:], newest_whole(copies), *stay)
    may_go = [copy for copy in copies if not any(copy is one for one in kept)]
    return tuple(sorted(may_go, key=lambda copy: copy.is_whole))


def beyond(copies: Sequence[AnyCopy], keep: int, stay: Collection[AnyCopy] = ()) -> tuple[AnyCopy, ...]:
    """Those that go where so many are asked for; more are kept only where all of them must stay."""
    return order_of_going(copies, stay)[: max(0, len(copies) - keep)]


def newest_whole(copies: Sequence[AnyCopy]) -> AnyCopy | None:
    """None where none is whole. copies: the oldest first."""
    return next((copy for copy in reversed(copies) if copy.is_whole), None)
