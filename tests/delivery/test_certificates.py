from __future__ import annotations

import subprocess
from datetime import UTC, datetime

import pytest

from monitor.core.moments import from_datetime
from monitor.delivery.certificates import ends


def certificate(path, days):
    """A certificate that ends in so many days."""
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-nodes"),
            *("-pkeyopt", "ec_paramgen_curve:prime256v1", "-days", str(days)),
            *("-subj", "/CN=127.0.0.1", "-out", str(path)),
            *("-keyout", str(path.with_suffix(".key"))),
        ],
        check=True,
        capture_output=True,
    )
    return path


def openssl_says(path):
    """When it ends, as OpenSSL reads it: an outside source."""
    words = ["openssl", "x509", "-in", str(path), "-noout", "-enddate"]
    told = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    text = told.strip().removeprefix("notAfter=")
    return from_datetime(
        datetime.strptime(text, "%b %d %H:%M:%S %Y GMT").replace(tzinfo=UTC)
    )


# From 2050 on a certificate has its times otherwise written (RFC 5280, 4.1.2.5).
@pytest.mark.parametrize("days", [2, 400 * 80])
def test_the_end_is_the_one_openssl_reads(tmp_path, days):
    """A certificate's end is read to the second, before 2050 and after."""
    path = certificate(tmp_path / "one.pem", days)

    assert ends([path]) == {str(path): openssl_says(path)}


def test_of_several_in_a_file_the_first_to_end_counts(tmp_path):
    """A file of several certificates is good until the first of them ends, whatever is written between them."""
    late, soon = certificate(tmp_path / "a.pem", 90), certificate(tmp_path / "b.pem", 9)
    both = tmp_path / "both.pem"
    both.write_text(
        f"# Főtanúsítvány\n{late.read_text()}\n# the next\n{soon.read_text()}",
        encoding="utf-8",
    )

    assert ends([both]) == {str(both): openssl_says(soon)}


def test_what_is_no_certificate_is_left_out(tmp_path):
    """A file that is not there, empty, or broken takes nothing from the others."""
    good = certificate(tmp_path / "good.pem", 2)
    text = good.read_text()
    lines = text.splitlines()
    for name, content in (
        ("empty", ""),
        ("cut", "\n".join([*lines[:3], lines[-1]])),
        ("other", text.replace(lines[1], "!" * 64)),
    ):
        (tmp_path / f"{name}.pem").write_text(content)
    paths = [tmp_path / f"{one}.pem" for one in ("empty", "cut", "other", "gone")]

    assert set(ends([*paths, good])) == {str(good)}
