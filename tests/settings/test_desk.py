from __future__ import annotations

import pytest
from pydantic import ValidationError

from monitor.settings.desk import DeskSettings


@pytest.fixture
def certificate(tmp_path):
    """A file that can be read."""
    path = tmp_path / "cert.pem"
    path.write_text("x")
    return path


def test_out_of_the_box_only_this_machine_is_answered():
    """Without settings only this machine is answered, and whoever is not named may only look."""
    settings = DeskSettings()
    assert not settings.is_public
    assert settings.unnamed == "look"
    assert not settings.is_trusted("127.0.0.1")


@pytest.mark.parametrize(
    "host", ["0.0.0.0", "::", "192.0.2.1", "desk.example", "[::]", ""]
)
def test_a_public_address_is_refused_in_the_open(host):
    """An address that others can reach is refused without a certificate or a declared proxy."""
    with pytest.raises(ValidationError, match=r"cert_file|at least 1"):
        DeskSettings(host=host, unnamed="nothing")


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.9.9.9", "::1", "[::1]", "localhost"]
)
def test_this_machine_needs_no_certificate(host):
    """Whatever reaches only this machine may be open."""
    assert not DeskSettings(host=host).is_public


@pytest.mark.parametrize("unnamed", ["look", "act"])
def test_a_public_address_is_refused_without_login(certificate, unnamed):
    """Where others can reach it everybody says who they are, encrypted or not."""
    with pytest.raises(ValidationError, match='unnamed = "nothing"'):
        DeskSettings(host="0.0.0.0", cert_file=certificate, unnamed=unnamed)
    with pytest.raises(ValidationError, match='unnamed = "nothing"'):
        DeskSettings(host="::", trusted_proxies=["192.0.2.3"], unnamed=unnamed)


def test_a_public_address_with_certificate_and_login_is_taken(certificate):
    """With a certificate, or a declared proxy, and login a public address is taken."""
    own = DeskSettings(host="0.0.0.0", cert_file=certificate, unnamed="nothing")
    assert own.tls
    proxied = DeskSettings(
        host="0.0.0.0", trusted_proxies=["192.0.2.3"], unnamed="nothing"
    )
    assert not proxied.tls
    assert proxied.is_trusted("192.0.2.3")
    assert not proxied.is_trusted("192.0.2.4")
    assert not proxied.is_trusted("not an address")
    assert proxied.is_trusted("::ffff:192.0.2.3")


def test_a_name_from_anybody_is_refused():
    """A header that says who asks counts only from a declared proxy, so without one it is no setting."""
    with pytest.raises(ValidationError, match="name the proxy"):
        DeskSettings(identity_header="X-Remote-User")


def test_a_key_needs_its_certificate(certificate):
    """A key alone encrypts nothing."""
    with pytest.raises(ValidationError, match="no cert_file"):
        DeskSettings(key_file=certificate)


def test_files_that_cannot_be_read_are_told(tmp_path):
    """A certificate that is not there is told before anything listens."""
    with pytest.raises(ValidationError, match="cannot be read"):
        DeskSettings(cert_file=tmp_path / "none.pem")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"shifts": ["06:00", "6 pm"]}, "should match pattern"),
        ({"shifts": []}, "no shift begins"),
        ({"shifts": ["06:00", "06:00"]}, "two shifts begin at the same time"),
        ({"position": [{"name": "north"}, {"name": "north"}]}, "the same name"),
        ({"position": [{"name": "north\n"}]}, "is one line"),
    ],
    ids=["no-time", "no-shift", "twice", "same-name", "two-lines"],
)
def test_shifts_and_positions_are_told_apart(wrong, said):
    """Shifts begin at times of day, each at another; positions have names that people can tell apart."""
    with pytest.raises(ValidationError, match=said):
        DeskSettings(**wrong)
