"""Asks a running monitor, over the API of its desk: for the commands that do something there.

Who asks shows a token out of a file; without one they may what the monitor lets those do who did not say who they are.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx

PROOF_HEADER = "X-Tallywatch-Proof"
WAIT_S = 10.0


class NotDone(Exception):
    """The monitor cannot be asked, or will not; the text says why, in one line.

    Attributes:
        told: all that the monitor answered, where it did; "" else.
    """

    def __init__(self, why: str, told: str = "") -> None:
        super().__init__(why)
        self.told = told


def ask(
    at: str,
    path: str,
    body: dict[str, Any],
    *,
    token_file: Path | None = None,
    ca_file: Path | None = None,
    within_s: float = WAIT_S,
) -> Any:
    """What the monitor at *at* answers to *body*, posted to *path* under `/api/v1/`.

    Args:
        at: such as `http://127.0.0.1:9109`.
        path: without a stroke before it.
        body: plain JSON values.
        token_file: holds a token.
        ca_file: by which its certificate is checked, instead of the system's.
        within_s: so long it is waited for.

    Raises:
        NotDone: it cannot be asked, or refuses.
        OSError: a file cannot be read.
    """
    base = _base(at)
    try:
        with _client(token_file, ca_file, within_s) as client:
            if token_file is None:
                proof = _answer(client.get(f"{base}/me"))["proof"]
                client.headers[PROOF_HEADER] = proof
            return _answer(client.post(f"{base}/{path}", json=body))
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        raise NotDone(f"{at}: {_line(error) or type(error).__name__}") from None


def fetch(
    at: str,
    path: str,
    *,
    token_file: Path | None = None,
    ca_file: Path | None = None,
    within_s: float = WAIT_S,
) -> str:
    """The text that the monitor at *at* answers where *path* is asked for; arguments and faults as for `ask`."""
    try:
        with _client(token_file, ca_file, within_s) as client:
            answer = client.get(f"{_base(at)}/{path}")
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        raise NotDone(f"{at}: {_line(error) or type(error).__name__}") from None
    if not answer.is_success:
        _answer(answer)
    return answer.text


def _base(at: str) -> str:
    return f"{at.rstrip('/')}/api/v1"


def _client(
    token_file: Path | None, ca_file: Path | None, within_s: float
) -> httpx.Client:
    headers = {}
    if token_file is not None:
        token = token_file.read_text(encoding="utf-8").strip()
        headers["Authorization"] = f"Bearer {token}"
    verify = str(ca_file) if ca_file is not None else True
    return httpx.Client(
        headers=headers, timeout=within_s, verify=verify, trust_env=False
    )


def _answer(answer: httpx.Response) -> Any:
    try:
        told = answer.json()
    except ValueError:
        told = None
    if answer.is_success and told is not None:
        return told
    why = told.get("detail", "") if isinstance(told, dict) else ""
    raise NotDone(
        _line(f"{answer.status_code} {why or answer.reason_phrase}"),
        _printed(str(why)),
    )


def _line(text: object) -> str:
    """*text* in one line, with nothing in it that is not to be printed."""
    return _printed(" ".join(str(text).split())[:500])


def _printed(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)
