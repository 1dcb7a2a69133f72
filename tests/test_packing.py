from __future__ import annotations

import subprocess
import zipfile

import pytest
from hypothesis import given, strategies as st

from monitor import packing
from monitor.packing import PackFault, pack, unpacked

FILES = {"README.txt": b"what it is\n", "a.json": b"{}", "nothing": b""}


@pytest.fixture(name="path")
def _path(tmp_path):
    pack(tmp_path / "pack.zip", FILES)
    return tmp_path / "pack.zip"


def wrong_with(path):
    """What is wrong with the file at *path*."""
    with pytest.raises(PackFault) as fault:
        unpacked(path)
    return str(fault.value)


def test_files_come_out_as_they_went_in(path):
    """All of them, and the list of them first."""
    found = unpacked(path)

    assert list(found) == ["SHA256SUMS", *FILES]
    assert {name: bytes(found[name]) for name in FILES} == FILES


def test_every_tool_for_such_files_opens_it(path):
    """Python's own reader of ZIP files finds no fault, and coreutils' sha256sum takes the list as it stands."""
    with zipfile.ZipFile(path) as other:
        assert other.testzip() is None
        assert other.namelist() == ["SHA256SUMS", *FILES]
        assert other.read("a.json") == b"{}"
        other.extractall(path.parent)
    subprocess.run(
        ["sha256sum", "--strict", "-c", "SHA256SUMS"],
        cwd=path.parent,
        check=True,
        capture_output=True,
    )


def test_the_same_files_give_the_same_bytes(path, tmp_path):
    """Wherever they stand, as they are or in files."""
    (tmp_path / "elsewhere").write_bytes(FILES["a.json"])
    told = pack(tmp_path / "two.zip", {**FILES, "a.json": tmp_path / "elsewhere"})

    assert (tmp_path / "two.zip").read_bytes() == path.read_bytes()
    assert len(told) == 64


def test_every_byte_that_is_changed_is_found_and_named(path):
    """Each byte in turn; what is named is the file it stands in, or what stands around it."""
    good = path.read_bytes()
    names = ["SHA256SUMS", *FILES]
    for place in range(len(good)):
        bad = bytearray(good)
        bad[place] ^= 1 << place % 8
        with pytest.raises(PackFault) as fault:
            packing._checked(memoryview(bad))
        told = str(fault.value)
        assert any(one in told for one in (*names, "byte", "first file")), told
    for name, one in FILES.items():
        if one:
            bad = bytearray(good)
            bad[good.index(one)] ^= 1
            path.write_bytes(bad)
            assert wrong_with(path) == f"{name} is not as it was packed"


@given(cut=st.integers(0, 600))
def test_what_is_cut_off_is_found(tmp_path_factory, cut):
    """Anywhere."""
    path = tmp_path_factory.mktemp("pack") / "pack.zip"
    pack(path, FILES)
    good = path.read_bytes()
    path.write_bytes(good[: min(cut, len(good) - 1)])

    assert wrong_with(path)


def test_what_is_put_after_it_is_found(path):
    """A byte more is a byte that nobody packed."""
    path.write_bytes(path.read_bytes() + b"\0")

    assert "at its end" in wrong_with(path)


def test_a_file_that_is_exchanged_with_all_its_checksums_is_named(path):
    """By the list, which says otherwise."""
    with (
        zipfile.ZipFile(path) as old,
        zipfile.ZipFile(path.with_suffix(".new"), "w") as new,
    ):
        for name in old.namelist():
            new.writestr(name, b"[]" if name == "a.json" else old.read(name))

    assert wrong_with(path.with_suffix(".new")) == "a.json is not as it was packed"


@pytest.mark.parametrize("name", ["", "../up", "a/b", "-rf", "x" * 101, "ü"])
def test_names_that_lead_elsewhere_are_refused(tmp_path, name):
    """Whoever unpacks it gets files here, and nowhere else."""
    with pytest.raises(PackFault, match="no name"):
        pack(tmp_path / "pack.zip", {name: b""})
    assert not (tmp_path / "pack.zip").exists()
