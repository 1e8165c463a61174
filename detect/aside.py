"""More pairs of hands: maps and pictures are made in processes beside the one that estimates."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any

from detect.geostat.parallel import one_thread
from detect.stages.common import Later, when_asked

#: processes besides the first: one more than a small machine has cores, so that none idles while
#: one waits for another's result
HANDS = 3
#: how far hands stand back from a core that the first process wants (of 19): all wait for it
STAND_BACK = 10


def _stand_back() -> None:
    """Let the first process go first wherever there are fewer cores than work."""
    os.nice(STAND_BACK)


def _ready() -> None:
    """Do nothing: the first call starts the processes."""


@contextmanager
def aside() -> Iterator[Later]:
    """Give a function that runs a call aside and returns how to fetch its result.

    Where processes can be forked safely (Linux) the calls run in processes of their own, which
    are started at once, before there are threads. They hold the cores, so linear algebra keeps to
    one thread in each. Elsewhere calls run when their result is fetched.

    Yields
    ------
    callable
        ``later(function, *arguments)`` returns a function without arguments that waits for the
        call and returns its result, or raises what it raised.
    """
    if not sys.platform.startswith("linux"):
        yield when_asked
        return

    forked = multiprocessing.get_context("fork")
    with one_thread(), ProcessPoolExecutor(HANDS, forked, _stand_back) as hands:
        hands.submit(_ready)

        def later(function: Callable[..., Any], *arguments: Any) -> Callable[[], Any]:
            return hands.submit(function, *arguments).result

        yield later
