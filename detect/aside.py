"""A second pair of hands: pictures are drawn in one process while another estimates."""

from __future__ import annotations

import multiprocessing
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any, TypeVar

T = TypeVar("T")
Later = Callable[..., Callable[[], Any]]


def _ready() -> None:
    """Do nothing: the first call starts the process."""


@contextmanager
def aside() -> Iterator[Later]:
    """Give a function that runs a call aside and returns how to fetch its result.

    Where processes can be forked safely (Linux) the calls run one after another in a process of
    their own, which is started at once, before there are threads. Elsewhere they run when their
    result is fetched.

    Yields
    ------
    callable
        ``later(function, *arguments)`` returns a function without arguments that waits for the
        call and returns its result, or raises what it raised.
    """
    if not sys.platform.startswith("linux"):

        def now(function: Callable[..., T], *arguments: Any) -> Callable[[], T]:
            return lambda: function(*arguments)

        yield now
        return

    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("fork")) as hands:
        hands.submit(_ready)

        def later(function: Callable[..., T], *arguments: Any) -> Callable[[], T]:
            return hands.submit(function, *arguments).result

        yield later
