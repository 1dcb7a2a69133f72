"""One way to POST, for every channel that does: what an answer means, and who may be trusted."""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from pathlib import Path

import httpx

from monitor.delivery.channel import Refused, Undelivered, one_line, why
from monitor.settings.delivery import secret

PASSING = frozenset({401, 403, 404, 408, 409, 421, 423, 425, 429})
"""Answers about who asks, where and when, not about what was sent: mended at the receiver or in the settings, so it is tried again."""


def client(ca_file: Path | None, timeout_s: float) -> httpx.AsyncClient:
    """A client that follows nobody elsewhere and takes no proxy from the environment."""
    context = ssl.create_default_context(cafile=str(ca_file) if ca_file else None)
    return httpx.AsyncClient(
        verify=context, timeout=timeout_s, follow_redirects=False, trust_env=False
    )


async def post(
    to: httpx.AsyncClient,
    url: str,
    body: bytes,
    headers: Mapping[str, str],
    token_file: Path | None,
) -> None:
    """POST a JSON *body*, and return when it was taken.

    Raises:
        Undelivered: the receiver is not there, or cannot now.
        Refused: it does not want this.
    """
    told = {"Content-Type": "application/json", **headers}
    try:
        if token_file is not None:
            told["Authorization"] = f"Bearer {secret(token_file)}"
        answer = await to.post(url, content=body, headers=told)
    except (httpx.HTTPError, OSError, UnicodeError) as error:
        raise Undelivered(why(error)) from error
    if answer.is_success:
        return
    said = f"{answer.status_code} {one_line(answer.text, 120)}".rstrip()
    if answer.is_client_error and answer.status_code not in PASSING:
        raise Refused(said)
    raise Undelivered(said)
