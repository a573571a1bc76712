"""Keep every press of a button when two runs of the page are requested at once.

Streamlit ends the present run when a full run is requested, even if the present run has not yet
called the callback of the button that was pressed. The press is then lost. Here a request that
comes so early joins the present run instead, and a callback is never interrupted.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

Method = Callable[..., Any]
MARK = "_catalog_keeps_presses"  # set on a class of Streamlit whose methods are replaced


def keep_presses() -> None:
    """Replace three methods of Streamlit, once for each process."""
    from streamlit.runtime.app_session import AppSession
    from streamlit.runtime.scriptrunner_utils.script_requests import ScriptRequests
    from streamlit.runtime.state.safe_session_state import SafeSessionState

    if hasattr(AppSession, MARK):
        return
    setattr(AppSession, MARK, True)
    _replace(ScriptRequests, "_request_rerun_locked", _note_request)
    _replace(SafeSessionState, "on_script_will_rerun", _call_all_callbacks)
    _replace(AppSession, "request_rerun", _join_early_request)


def _replace(owner: type, name: str, make: Callable[[Method], Method]) -> None:
    method = getattr(owner, name)
    setattr(owner, name, wraps(method)(make(method)))


def _note_request(method: Method) -> Method:
    """Note that the callbacks of an accepted request are still to be called."""

    def request(requests: Any, new_data: Any) -> bool:  # its caller holds the lock
        is_accepted: bool = method(requests, new_data)
        requests.has_callbacks_due = is_accepted
        return is_accepted

    return request


def _call_all_callbacks(method: Method) -> Method:
    """Call the callbacks without interruption, then note that none is due."""

    def apply(state: Any, *args: Any, **kwargs: Any) -> None:
        runner = getattr(state._yield_callback, "__self__", None)  # of the bound method
        if runner is None:
            return method(state, *args, **kwargs)
        runner._execing = False  # a runner handles other requests only while this is set
        try:
            return method(state, *args, **kwargs)
        finally:
            runner._execing = True
            _note_callbacks_called(runner._requests)

    return apply


def _note_callbacks_called(requests: Any) -> None:
    from streamlit.runtime.scriptrunner_utils.script_requests import ScriptRequestType

    with requests._lock:
        requests.has_callbacks_due = requests._state == ScriptRequestType.RERUN


def _join_early_request(method: Method) -> Method:
    """Join a request to a run whose callbacks are still due, instead of ending that run."""

    def request(session: Any, client_state: Any) -> None:
        from streamlit import config

        runner = session._scriptrunner
        if runner is None or not getattr(runner._requests, "has_callbacks_due", False):
            return method(session, client_state)
        ends_runs = config.get_option("runner.fastReruns")
        config.set_option("runner.fastReruns", False)
        try:
            return method(session, client_state)
        finally:
            config.set_option("runner.fastReruns", ends_runs)

    return request
