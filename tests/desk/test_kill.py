from __future__ import annotations

import os
import signal

import httpx
import pytest

from monitor.journal import Journal, verify
from tests.desk.daemon import alert, answering


@pytest.mark.slow
def test_what_was_answered_outlives_a_kill(tmp_path):
    """Killed in the middle of acts, whatever was answered is in the journal, which is whole."""
    answered = []
    with (
        answering(tmp_path) as (running, at),
        httpx.Client(trust_env=False) as client,
    ):
        me = client.get(f"{at}/api/v1/me").json()
        client.headers["X-Tallywatch-Proof"] = me["proof"]
        for number in range(20):
            note = {"what": "noted", "fault": alert().id, "text": f"note {number}"}
            answer = client.post(f"{at}/api/v1/acts", json=note)
            answered.append(answer.json()["id"])
        shelve = {
            "what": "shelved",
            "kind": "occupied-no-train",
            "subject": "section/T107",
            "text": "rail is out",
        }
        answer = client.post(f"{at}/api/v1/acts", json=shelve)
        answered.append(answer.json()["id"])
        os.kill(running.pid, signal.SIGKILL)
    with Journal.read(tmp_path / "journal.sqlite") as journal:
        written = b"".join(journal.payload(n + 1) for n in range(journal.position))
    assert len(set(answered)) == 21
    for identity in answered:
        assert identity.encode() in written
    assert verify(tmp_path / "journal.sqlite").position is None
