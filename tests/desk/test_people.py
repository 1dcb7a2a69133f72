from __future__ import annotations

import hashlib
import json
import os
import stat

import pytest
from hypothesis import given, strategies as st

from monitor.desk.people import (
    Attempts,
    People,
    PeopleFault,
    Person,
    Proofs,
    Session,
    Sessions,
    Token,
    add,
    new_token,
    read_people,
    write_people,
)
from monitor.desk.roles import Role
from tests.desk.conftest import (
    ACTING,
    HERE,
    LOOKING,
    PASSWORD,
    QUICK,
    Hand,
)
from tests.desk.fake import ALERT

SEEN = {"what": "seen", "alert": ALERT, "position": "north"}
TLS = "https://desk.example"


def test_roles_are_in_order():
    """Whoever may set up may act, whoever may act may look, and not the other way."""
    look, act, set_up = Role.LOOK, Role.ACT, Role.SET_UP
    assert [set_up.may(one) for one in (look, act, set_up)] == [True, True, True]
    assert [act.may(one) for one in (look, act, set_up)] == [True, True, False]
    assert [look.may(one) for one in (look, act, set_up)] == [True, False, False]


def test_nothing_secret_stands_in_the_file(setting):
    """The file holds argon2 and SHA-256 of what people know, never that itself, and only its owner reads it."""
    text = setting.path.read_text()
    assert PASSWORD not in text
    assert ACTING not in text
    rows = json.loads(text)["people"]
    assert rows[1]["password"].startswith("$argon2id$")
    digest = hashlib.sha256(b"act-token").hexdigest()
    assert rows[1]["tokens"] == [{"label": "script", "digest": digest}]
    assert stat.S_IMODE(setting.path.stat().st_mode) == 0o600


def test_a_file_that_others_may_write_is_refused(setting):
    """Whoever may write the file may do anything, so a file that others may write is not believed."""
    setting.path.chmod(0o620)
    with pytest.raises(PeopleFault, match="others may write it"):
        read_people(setting.path)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "JSON"),
        ('{"people": [{"name": "A", "role": "king"}]}', "role"),
        ('{"people": [{"name": "A", "role": "act", "password": "plain"}]}', "password"),
        ('{"people": [{"name": "<b>", "role": "act"}]}', "a name is"),
        (
            '{"people": [{"name": "A", "role": "act"}, {"name": "a", "role": "look"}]}',
            "twice",
        ),
    ],
)
def test_a_file_that_is_wrong_says_what(tmp_path, text, said):
    """A file that holds something else is refused as a whole, in one line, without a password in it."""
    path = tmp_path / "people.json"
    path.write_text(text)
    with pytest.raises(PeopleFault, match=said) as told:
        read_people(path)
    assert "\n" not in str(told.value)
    assert "plain" not in str(told.value).replace(str(path), "")


@given(
    st.lists(
        st.builds(
            Person,
            name=st.from_regex(r"[A-Za-z0-9][A-Za-z0-9 .@+-]{0,20}", fullmatch=True),
            role=st.sampled_from(Role),
            password=st.none() | st.just("$argon2id$v=19$x"),
        ),
        max_size=5,
        unique_by=lambda one: one.name.casefold(),
    )
)
def test_what_is_written_is_read(tmp_path_factory, people):
    """Whoever is written to the file is in it."""
    path = tmp_path_factory.mktemp("people") / "people.json"
    write_people(path, people)
    assert read_people(path) == tuple(people)


def test_adding_keeps_what_was_not_changed():
    """Adding somebody who is there changes their role, adds a token, and keeps password and other tokens."""
    first = add((), "A. Moor", Role.LOOK, password="$argon2id$x")
    second = add(first, "a. moor", Role.ACT, token=Token.of("script", "t1"))
    third = add(second, "A. Moor", Role.ACT, token=Token.of("script", "t2"))
    [person] = third
    assert (person.name, person.role) == ("A. Moor", Role.ACT)
    assert person.password == "$argon2id$x"
    digest = hashlib.sha256(b"t2").hexdigest()
    assert person.tokens == (Token(label="script", digest=digest),)


def test_the_file_is_read_anew(setting):
    """Whoever is taken out of the file is out at once, and a file that became wrong lets nobody in."""
    people = People(setting.path, QUICK)
    assert people.by_token(LOOKING) == people.find("Looker") is not None
    write_people(setting.path, [])
    assert people.by_token(LOOKING) is None
    setting.path.write_text("{")
    with pytest.raises(PeopleFault):
        people.by_token(LOOKING)
    setting.path.unlink()
    assert people.find("Looker") is None


def test_a_password_is_checked(setting):
    """A name with its password is somebody; with another, without one, or unknown, nobody."""
    people = People(setting.path, QUICK)
    assert people.by_password("A. MOOR", PASSWORD) == people.find("A. Moor") is not None
    assert people.by_password("A. Moor", PASSWORD + "x") is None
    assert people.by_password("Looker", "") is None
    assert people.by_password("nobody", PASSWORD) is None


@pytest.mark.parametrize("password", ["short", "x" * 1001])
def test_a_password_is_neither_short_nor_endless(setting, password):
    """A password has ten characters at least, and not so many that hashing them is an attack."""
    with pytest.raises(PeopleFault, match="10 to 1000"):
        People(setting.path, QUICK).hash(password)


def test_tokens_are_long_and_no_two_alike():
    """A token holds 256 bits by chance: 43 characters of base64, never twice."""
    tokens = {new_token() for _ in range(100)}
    assert len(tokens) == 100
    assert {len(one) for one in tokens} == {43}


def test_sessions_outlive_a_restart_and_end(tmp_path):
    """A session is kept over a restart, ends at its time, and what is kept is not what the cookie holds."""
    clock = Hand()
    path = tmp_path / "people.sessions"
    person = Person(name="A", role=Role.ACT, password="$argon2id$x")

    def seconds():
        return clock.now / 1e6

    cookie = Sessions(path, 60, seconds).begin(person)
    assert cookie not in path.read_text()
    again = Sessions(path, 60, seconds)
    assert again.of(cookie) == Session(name="A", mark=person.mark, until=seconds() + 60)
    clock.pass_s(59)
    assert again.of(cookie) is not None
    clock.pass_s(1)
    assert again.of(cookie) is None


def test_sessions_are_bounded(tmp_path):
    """Of too many sessions the oldest goes, and a file that is broken means that everybody logs in again."""
    path = tmp_path / "s"
    path.write_text("[1, 2]")
    sessions = Sessions(path, 60, lambda: 0.0, most=2)
    person = Person(name="A", role=Role.ACT)
    first, second, third = (sessions.begin(person) for _ in range(3))
    assert sessions.of(first) is None
    assert sessions.of(second) is not None
    sessions.end(third)
    assert Sessions(path, 60, lambda: 0.0).of(third) is None


def test_proofs_are_of_one_asker():
    """A proof fits whom it was made for, and neither another, nor another run, nor none."""
    proofs = Proofs()
    shown = proofs.of("session a")
    assert proofs.fits("session a", shown)
    assert not proofs.fits("session b", shown)
    assert not Proofs().fits("session a", shown)
    assert not proofs.fits("session a", None)
    assert not proofs.fits("session a", "\ud800")


def test_attempts_wait_and_are_forgotten():
    """After so many failures nothing is tried until the first of them is old; a success forgets them; memory is bounded."""
    now = [0.0]
    attempts = Attempts(3, 60, lambda: now[0], kept=2)
    for _ in range(3):
        assert attempts.wait_s("a") == 0
        attempts.failed("a")
        now[0] += 10
    assert attempts.wait_s("a") == 30
    assert attempts.wait_s("b", "a") == 30
    now[0] = 60
    assert attempts.wait_s("a") == 0
    attempts.failed("b")
    attempts.succeeded("b")
    assert attempts.wait_s("b") == 0
    for name in "cde":
        attempts.failed(name)
    assert len(attempts._failed) == 2


async def test_logging_in_gives_a_cookie_that_scripts_never_see(setting):
    """The cookie is for the desk alone: HttpOnly, same site, whole path, as long as a session; not for an open connection where it is encrypted."""
    async with setting.client() as client:
        answer = await client.post(
            "/api/v1/login", json={"name": "A. Moor", "password": PASSWORD}
        )
    [cookie] = answer.headers.get_list("set-cookie")
    name, _, rest = cookie.partition("=")
    parts = {part.strip().lower() for part in rest.split(";")[1:]}
    assert name == "tallywatch"
    # 13 h are 46,800 s.
    assert parts == {"httponly", "samesite=strict", "path=/", "max-age=46800"}


async def test_where_it_is_encrypted_the_cookie_is_too(make):
    """Over an encrypted connection the cookie is Secure and bound to its host, and the browser is told to stay encrypted."""
    setting = make(names=["desk.example"])
    async with setting.client(base=TLS) as client:
        answer = await client.post(
            "/api/v1/login", json={"name": "A. Moor", "password": PASSWORD}
        )
    [cookie] = answer.headers.get_list("set-cookie")
    assert cookie.startswith("__Host-tallywatch=")
    assert "; Secure" in cookie
    assert "domain" not in cookie.lower()
    assert "max-age" in answer.headers["strict-transport-security"]


async def test_a_session_acts_and_ends(setting):
    """Whoever logged in acts by name, and after logging out the cookie is worth nothing, wherever it was copied to."""
    async with setting.logged_in() as client, setting.client() as thief:
        assert (await client.post("/api/v1/acts", json=SEEN)).status_code == 200
        cookie = client.cookies["tallywatch"]
        thief.cookies.set("tallywatch", cookie, domain="127.0.0.1")
        assert (await thief.get("/api/v1/me")).json()["name"] == "A. Moor"
        assert (await client.post("/api/v1/logout")).status_code == 204
        assert (await thief.get("/api/v1/me")).status_code == 401
    assert setting.desk.acts[0][0].name == "A. Moor"


async def test_a_session_ends_with_the_password(setting):
    """Whoever gets another password, or is taken out of the file, is logged out everywhere."""
    async with setting.logged_in() as client:
        people = read_people(setting.path)
        write_people(
            setting.path,
            add(people, "A. Moor", Role.ACT, password=QUICK.hash("another horse")),
        )
        assert (await client.get("/api/v1/me")).status_code == 401


async def test_logging_in_again_ends_the_session_before(setting):
    """A browser that logs in again has one session, so none is left behind."""
    async with setting.logged_in() as client:
        before = client.cookies["tallywatch"]
        await client.post(
            "/api/v1/login", json={"name": "A. Moor", "password": PASSWORD}
        )
        async with setting.client() as other:
            other.cookies.set("tallywatch", before, domain="127.0.0.1")
            assert (await other.get("/api/v1/me")).status_code == 401


async def test_a_page_of_somebody_else_changes_nothing(setting):
    """What changes something with a cookie needs the proof that only our answers tell, a body of JSON, and our own origin."""
    async with setting.logged_in() as client:
        proof = client.headers.pop("X-Tallywatch-Proof")
        shown = {"X-Tallywatch-Proof": proof}
        foreign = {"Origin": "https://attacker.example"}
        form = {"Content-Type": "application/x-www-form-urlencoded"}
        plain = {"Content-Type": "text/plain"}
        body = json.dumps(SEEN)
        for headers, status in (
            ({}, 403),
            ({"X-Tallywatch-Proof": "0" * 64}, 403),
            ({**shown, **foreign}, 403),
            ({**shown, "Origin": "null"}, 403),
            ({**shown, "Origin": "http://[broken"}, 403),
            ({**shown, "Sec-Fetch-Site": "cross-site"}, 403),
            ({**shown, "Sec-Fetch-Site": "same-site"}, 403),
            ({**shown, **form}, 415),
            ({**shown, **plain}, 415),
        ):
            kind = {"Content-Type": "application/json", **headers}
            answer = await client.post("/api/v1/acts", content=body, headers=kind)
            assert answer.status_code == status, headers
        assert not setting.desk.acts
        ours = {**shown, "Origin": HERE, "Sec-Fetch-Site": "same-origin"}
        answer = await client.post("/api/v1/acts", json=SEEN, headers=ours)
        assert answer.status_code == 200


async def test_logging_out_needs_the_proof_too(setting):
    """A page of somebody else's logs nobody out."""
    async with setting.logged_in() as client:
        del client.headers["X-Tallywatch-Proof"]
        assert (await client.post("/api/v1/logout")).status_code == 403
        assert (await client.get("/api/v1/me")).status_code == 200


async def test_guessing_is_slowed(setting):
    """After ten wrong passwords for a name, also the right one has to wait, and is told how long; then it is right again."""
    async with setting.client() as client:

        async def attempt(password):
            return await client.post(
                "/api/v1/login", json={"name": "A. Moor", "password": password}
            )

        for _ in range(10):
            assert (await attempt("wrong password")).status_code == 401
        answer = await attempt(PASSWORD)
        assert answer.status_code == 429
        assert answer.headers["retry-after"] == "301"
        setting.clock.pass_s(301)
        assert (await attempt(PASSWORD)).status_code == 200


async def test_guessing_many_names_is_slowed_too(setting):
    """From one address thirty attempts in five minutes are all, whichever names they are for; from another it goes on."""
    async with setting.client() as client, setting.client(peer="192.0.2.9") as other:
        for number in range(30):
            body = {"name": f"name {number}", "password": "wrong password"}
            assert (await client.post("/api/v1/login", json=body)).status_code == 401
        body = {"name": "A. Moor", "password": PASSWORD}
        assert (await client.post("/api/v1/login", json=body)).status_code == 429
        assert (await other.post("/api/v1/login", json=body)).status_code == 200


async def test_nobody_learns_which_names_there_are(setting):
    """A wrong name and a wrong password are answered alike."""
    async with setting.client() as client:
        answers = [
            await client.post(
                "/api/v1/login", json={"name": name, "password": "wrong password"}
            )
            for name in ("A. Moor", "nobody")
        ]
    assert answers[0].json() == answers[1].json()


async def test_a_wrong_token_is_not_taken_for_less(make):
    """A token that is not known is refused, also where the unnamed may look, and so are two."""
    setting = make(unnamed="look")
    async with setting.client("wrong") as client:
        answer = await client.get("/api/v1/faults")
        assert answer.status_code == 401
        assert "Bearer" in answer.headers["www-authenticate"]
    async with setting.client() as client:
        two = [("Authorization", f"Bearer {LOOKING}")] * 2
        assert (await client.get("/api/v1/faults", headers=two)).status_code == 401
        basic = {"Authorization": f"Basic {LOOKING}"}
        assert (await client.get("/api/v1/faults", headers=basic)).status_code == 401


async def test_a_declared_proxy_names_who_asks(make):
    """The header of a proxy counts from its declared address alone, names one person who is known, and what it changes needs a proof."""
    setting = make(
        trusted_proxies=["192.0.2.0/28"],
        identity_header="X-Remote-User",
        unnamed="look",
        names=["desk.example"],
    )
    named = {"X-Remote-User": "a. moor"}
    async with (
        setting.client(peer="192.0.2.3") as proxy,
        setting.client(peer="192.0.2.77") as other,
    ):
        me = (await proxy.get("/api/v1/me", headers=named)).json()
        assert (me["name"], me["role"], me["how"]) == ("A. Moor", "act", "proxy")
        assert (await other.get("/api/v1/me", headers=named)).status_code == 401
        unknown = {"X-Remote-User": "Mallory"}
        assert (await proxy.get("/api/v1/me", headers=unknown)).status_code == 403
        two = [("X-Remote-User", "A. Moor"), ("X-Remote-User", "Chief")]
        assert (await proxy.get("/api/v1/me", headers=two)).status_code == 403
        assert (await proxy.get("/api/v1/me")).status_code == 401
        unproved = await proxy.post("/api/v1/acts", json=SEEN, headers=named)
        assert unproved.status_code == 403
        proof = {**named, "X-Tallywatch-Proof": me["proof"]}
        proved = await proxy.post("/api/v1/acts", json=SEEN, headers=proof)
        assert proved.status_code == 200


async def test_a_declared_proxy_on_this_machine_is_nobody_here(make):
    """What comes by a declared proxy on this machine may come from anywhere, so it is not the unnamed of this machine."""
    setting = make(trusted_proxies=["127.0.0.1"], unnamed="look")
    async with setting.client() as proxy:
        assert (await proxy.get("/api/v1/me")).status_code == 401


async def test_a_proxy_says_where_and_how(make):
    """A declared proxy's word counts for the address that guesses and for the connection's being encrypted; anybody else's does not."""
    setting = make(trusted_proxies=["192.0.2.3"])
    wrong = {"name": "nobody", "password": "wrong password"}
    right = {"name": "A. Moor", "password": PASSWORD}

    def said(address):
        return {"X-Forwarded-For": address, "X-Forwarded-Proto": "https"}

    async with (
        setting.client(peer="192.0.2.3") as proxy,
        setting.client(peer="192.0.2.4") as other,
    ):
        for number in range(30):
            body = {**wrong, "name": f"nobody {number}"}
            headers = said(f"10.0.0.{number}, 198.51.100.1")
            await proxy.post("/api/v1/login", json=body, headers=headers)
        answer = await proxy.post(
            "/api/v1/login", json=right, headers=said("198.51.100.1")
        )
        assert answer.status_code == 429
        answer = await proxy.post(
            "/api/v1/login", json=right, headers=said("198.51.100.2")
        )
        assert answer.status_code == 200
        assert "; Secure" in answer.headers["set-cookie"]
        answer = await other.post("/api/v1/login", json=right, headers=said("10.0.0.1"))
        assert "; Secure" not in answer.headers["set-cookie"]


async def test_a_file_that_cannot_be_used_lets_nobody_in(setting):
    """Where the file of people is wrong, nobody is let in, and the answer does not say what stands in it."""
    setting.path.write_text('{"people": "secret"}')
    os.utime(setting.path)
    async with setting.client(LOOKING) as client:
        answer = await client.get("/api/v1/me")
    assert answer.status_code == 503
    assert "secret" not in answer.text


def test_what_root_writes_belongs_to_the_owner_of_the_directory(tmp_path, monkeypatch):
    """A file of people that root has written can be read by the daemon, whose directory it is in."""
    given = []
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(os, "fchown", lambda _file, *owner: given.append(owner))
    write_people(tmp_path / "people.json", [])
    there = tmp_path.stat()
    assert given == [(there.st_uid, there.st_gid)]
