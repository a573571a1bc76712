"""Workers on other machines: those of a running dask.distributed cluster, reached by joblib."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from catalog.errors import ParameterError

CONNECT_S = 10  # long enough for a scheduler that is there


@contextlib.contextmanager
def on_cluster(address: str) -> Iterator[None]:
    """Let joblib work on a cluster within the block.

    Parameters
    ----------
    address : str
        of its scheduler, such as "tcp://127.0.0.1:8786"; the workers need this package, and see the
        recordings under the same paths

    Raises
    ------
    ParameterError
        if dask.distributed is not installed or no scheduler answers
    """
    import joblib

    try:
        from distributed import Client
    except ImportError as err:
        raise ParameterError("a cluster needs dask: pip install 'catalog[cluster]'") from err
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as err:
        raise ParameterError(f"no cluster answers at {address}: {err}") from err
    with client, joblib.parallel_config(backend="dask", client=client):
        yield
