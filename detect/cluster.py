"""A cluster that is asked for by the address of its scheduler, or the reason why there is none."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from detect.survey.errors import Problem, SurveyError

#: Seconds that a scheduler, and then a worker of it, has to answer.
PATIENCE_S = 10.0


@contextmanager
def connected(address: str | None) -> Iterator[Any]:
    """Give a client of the dask scheduler at an address; None without one.

    Raises
    ------
    SurveyError
        The extra ``cluster`` is not installed, nothing answers there, or it has no workers.
    """
    if address is None:
        yield None
        return
    try:
        from distributed import Client
        from distributed.comm import get_address_host_port, parse_address
    except ImportError:
        raise _refused(
            "needs dask.distributed, which is not installed",
            "install the extra: pip install 'detect[cluster]'",
        ) from None
    try:
        # A client that was never connected complains when the program ends: knock first.
        if parse_address(address)[0] in ("tcp", "tls"):
            place = get_address_host_port(address, strict=True)
            socket.create_connection(place, timeout=PATIENCE_S).close()
        client = Client(address, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError):  # a timeout is an OSError
        raise _refused(
            f"no scheduler answers at {address}",
            "give the address that `dask scheduler` printed, like tcp://host:8786",
        ) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=PATIENCE_S)
        except TimeoutError:
            raise _refused(
                f"the scheduler at {address} has no workers",
                f"start some: dask worker {address}",
            ) from None
        yield client


def _refused(what: str, fix: str) -> SurveyError:
    return SurveyError([Problem("--cluster", what, fix)])
