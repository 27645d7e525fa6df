"""Work on a picture, begun on another core before its stage asks for it; the results are the same without it."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

from digitize.shapes import Picture

Made = TypeVar("Made")

# By picture, and under the name of the work: of what it is made besides the picture, and the work.
_BEGUN: WeakKeyDictionary[Picture, dict[str, tuple[object, Future[Any]]]] = WeakKeyDictionary()


def begin(picture: Picture, name: str, made_of: object, make: Callable[[], Made]) -> Callable[[], None]:
    """Announce some work; return what does it, to be called once, in whatever thread."""
    work: Future[Made] = Future()
    _BEGUN.setdefault(picture, {})[name] = made_of, work

    def do() -> None:
        try:
            work.set_result(make())
        except BaseException as fault:  # told to whoever asks for the work
            work.set_exception(fault)

    return do


def made(picture: Picture, name: str, made_of: object, make: Callable[[], Made]) -> Made:
    """Return the work that was begun of the same, waiting for its end, else make it; it is given once.

    Raises:
        Exception: whatever ``make`` raises.
    """
    begun_of, work = _BEGUN.get(picture, {}).pop(name, (None, None))
    if work is None or begun_of != made_of:
        return make()
    found: Made = work.result()
    return found
