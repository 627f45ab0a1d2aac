"""Pointers of git-lfs that lie: what is judged is what real git-lfs puts in their place."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from callint.reading.lfs_pointers import parse_pointer
from tests.running import (
    BAD,
    EGR,
    GOOD,
    HULL,
    POLICY,
    Scratch,
    copy_of,
    edited,
    folder_for_copies,
    make_repository_yard,
    needs_git_lfs,
)

pytestmark = needs_git_lfs

HERON = "boats/heron.bin"
SLIP = "999.0 mg is above the limit of 90 mg"
OID = hashlib.sha256(BAD).hexdigest()
VERSION = "version https://git-lfs.github.com/spec/v1"
POINTER = f"{VERSION}\noid sha256:{OID}\nsize {len(BAD)}\n"
EXTENSION = f"ext-0-turn sha256:{OID}\n"

#: Forms of one pointer; of each git-lfs itself says whether it is one.
FORMS = {
    "as git-lfs writes it": POINTER,
    "without a last line end": POINTER.rstrip("\n"),
    "with carriage returns": POINTER.replace("\n", "\r\n"),
    "with carriage returns alone": POINTER.replace("\n", "\r"),
    "behind a line end": f"\n{POINTER}",
    "behind spaces": f" \t\v\f\r\n{POINTER}",
    "behind spaces of Unicode": f"\u0085\u00a0\u1680\u2003\u2028\u202f\u205f\u3000{POINTER}",
    "behind a separator of ASCII": f"\x1c{POINTER}",
    "behind a byte order mark": f"\ufeff{POINTER}",
    "before spaces": f"{POINTER} \n\t\u3000",
    "before a NUL": f"{POINTER}\0",
    "before a line": f"{POINTER}more x\n",
    "with empty lines": POINTER.replace("\n", "\n\n"),
    "with a line between": POINTER.replace("oid ", "more x\noid "),
    "with its first address": POINTER.replace(VERSION, "version http://git-media.io/v/2"),
    "with its second address": POINTER.replace(VERSION, "version https://hawser.github.com/spec/v1"),
    "with another address": POINTER.replace("v1", "v2"),
    "with a plus": POINTER.replace("size ", "size +"),
    "with a minus": POINTER.replace("size ", "size -"),
    "with zeros": POINTER.replace("size ", f"size {'0' * 40}"),
    "with a hexadecimal size": POINTER.replace(f"size {len(BAD)}", f"size {len(BAD):#x}"),
    "with a size beyond all bounds": POINTER.replace("size ", "size 99999999999999999999"),
    "with digits of elsewhere": POINTER.replace("size 160", "size \u0661\u0666\u0660"),
    "with capital letters": POINTER.replace(OID, OID.upper()),
    "with two spaces": POINTER.replace("oid ", "oid  "),
    "with a space at the end of a line": POINTER.replace("\nsize", " \nsize"),
    "with a longer id": POINTER.replace("\nsize", "00\nsize"),
    "with another hash": POINTER.replace("sha256", "sha512"),
    "in another order": f"{VERSION}\nsize {len(BAD)}\noid sha256:{OID}\n",
    "twice": POINTER * 2,
    "1,023 bytes long": POINTER.ljust(1023),
    "1,024 bytes long": POINTER.ljust(1024),
    "2,000 bytes long": POINTER.ljust(2000),
    "at the end of 1,024 bytes": POINTER.rjust(1024),
    "cut off": POINTER.rjust(1030),
    "before an image, with 1,000 bytes": POINTER.ljust(1000) + GOOD.decode("latin-1"),
    "before an image, with 1,024 bytes": POINTER.ljust(1024) + GOOD.decode("latin-1"),
    "before a large image": POINTER.ljust(1024) + "\0" * 500_000,
}


@pytest.fixture
def yard(tmp_path: Path) -> Scratch:
    """An honest heron, git-lfs, and the slip in its store."""
    return Scratch(copy_of(_template(), tmp_path / "yard"))


@cache
def _template() -> Path:
    yard = make_repository_yard(folder_for_copies(), heron=GOOD)
    yard.must("lfs", "install", "--local")
    yard.write(".gitattributes", "boats/*.bin filter=lfs -text\n")
    yard.write(HERON, BAD)
    yard.must("add", "--all")
    assert yard.must("show", f":{HERON}") == POINTER
    yard.must("reset", "--quiet", HERON)
    yard.must("commit", "--quiet", "--no-verify", "--message", "git-lfs")
    return yard.root


def commit_as_stored(yard: Scratch, content: bytes) -> None:
    """A commit whose image is stored as it is, whatever the filters are."""
    path = yard.write("../stored", content)
    blob = yard.must("hash-object", "-w", "--no-filters", str(path)).strip()
    yard.must("update-index", "--cacheinfo", f"100644,{blob},{HERON}")
    yard.must("commit", "--quiet", "--no-verify", "--message", "As it is stored")


def smudged(yard: Scratch) -> bytes | None:
    """What git-lfs puts into the working tree for HEAD's image; None where it cannot."""
    (yard.root / HERON).unlink(missing_ok=True)
    done = yard.git("checkout", "--quiet", "HEAD", "--", HERON)
    return (yard.root / HERON).read_bytes() if done.status == 0 else None


@dataclass(frozen=True)
class Judged:
    """What git-lfs puts in the place of a form, and what callint finds in an image that is stored so."""

    smudged: bytes
    findings: tuple[str, ...]


def stored(form: str) -> bytes:
    return FORMS[form].encode("latin-1" if "image" in form else "utf-8")


@pytest.fixture(scope="module")
def judged() -> dict[str, Judged]:
    """Every form, each as an image of one commit: git-lfs takes longer to start than to judge them all."""
    yard = Scratch(copy_of(_template(), folder_for_copies()))
    images = {form: f"boats/form-{number}.bin" for number, form in enumerate(FORMS)}
    for form, image in images.items():
        (yard.root / image).write_bytes(stored(form))
    blobs = yard.must("hash-object", "-w", "--no-filters", *images.values()).split()
    entries = [f"100644,{blob},{image}" for image, blob in zip(images.values(), blobs, strict=True)]
    yard.must("update-index", "--add", *(word for entry in entries for word in ("--cacheinfo", entry)))
    for image in images.values():
        (yard.root / image).unlink()
    yard.must("commit", "--quiet", "--no-verify", "--message", "As they are stored")
    found = yard.call("check", "--range", "HEAD~1..HEAD", "--format", "json").data["findings"]
    # git-lfs 3.3 takes the end of a file of over 1,024 bytes for its next command: such a file is its last.
    short = [image for form, image in images.items() if len(stored(form)) <= 1024]
    smudged = {}
    for together in (short, *([image] for image in images.values() if image not in short)):
        yard.must("checkout", "--quiet", "HEAD", "--", *together)
        for image in together:
            smudged[image] = (yard.root / image).read_bytes()
            (yard.root / image).unlink()
    return {
        form: Judged(
            smudged[image], tuple(finding["message"] for finding in found if finding["image"] == image)
        )
        for form, image in images.items()
    }


@pytest.mark.parametrize("form", FORMS)
def test_callint_recognizes_the_pointers_that_git_lfs_recognizes(
    judged: dict[str, Judged], form: str
) -> None:
    data, result = stored(form), judged[form]
    assert result.smudged in (BAD, data), "git-lfs makes something else of it"
    assert (parse_pointer(data) is not None) == (result.smudged == BAD)
    assert result.findings
    assert any(SLIP in message for message in result.findings) == (result.smudged == BAD)


def test_there_are_pointers_and_others_among_the_forms() -> None:
    assert {parse_pointer(text.encode()) is None for text in FORMS.values()} == {True, False}


@pytest.mark.parametrize("size", [0, len(BAD) - 1, len(BAD) + 1, 2**62])
def test_a_pointer_with_another_size_is_not_believed(yard: Scratch, size: int) -> None:
    commit_as_stored(yard, POINTER.replace(f"size {len(BAD)}", f"size {size}").encode())
    result = yard.call("check", "--range", "HEAD~1..HEAD")
    assert result.status == 1 and SLIP not in result.flat
    assert smudged(yard) in (None, b"")


def test_a_pointer_to_what_is_not_here_is_an_error(yard: Scratch) -> None:
    commit_as_stored(yard, POINTER.replace(OID, "1" * 64).encode())
    result = yard.call("check", "--range", "HEAD~1..HEAD")
    assert result.status == 1 and "git lfs pull fetches it" in result.flat


@pytest.mark.parametrize("kind", ["other content", "folder", "link", "pipe"])
def test_a_content_under_a_false_id_in_the_store_is_not_trusted(yard: Scratch, kind: str) -> None:
    commit_as_stored(yard, POINTER.encode())
    place = yard.root / ".git/lfs/objects" / OID[:2] / OID[2:4] / OID
    place.unlink()
    match kind:
        case "other content":
            place.write_bytes(GOOD)
        case "folder":
            place.mkdir()
        case "link":
            place.symlink_to(yard.root / "factory/base.bin")
        case _:
            os.mkfifo(place)
    result = yard.call("check", "--range", "HEAD~1..HEAD")
    assert result.status == 1 and "image/unreadable" in result.flat


def test_a_pointer_to_another_image_is_judged_as_that(yard: Scratch) -> None:
    other = edited(GOOD, {HULL: b"HERON-9     "})
    oid = hashlib.sha256(other).hexdigest()
    place = f".git/lfs/objects/{oid[:2]}/{oid[2:4]}/{oid}"
    yard.write(place, other)
    commit_as_stored(yard, POINTER.replace(OID, oid).encode())
    assert yard.call("check", "--range", "HEAD~1..HEAD").status == 0
    assert smudged(yard) == other


def test_only_a_content_that_its_pointer_does_not_name_is_a_change(yard: Scratch) -> None:
    commit_as_stored(yard, POINTER.encode())
    commit_as_stored(yard, BAD)
    result = yard.call("check", "--range", "HEAD~1..HEAD")
    assert (result.status, result.stdout) == (0, ""), "the same content, stored otherwise"
    assert "2 cells" not in yard.call("diff", "HEAD~1", "HEAD").stdout
    commit_as_stored(yard, edited(BAD, {EGR: b"\x3f"}))
    assert yard.call("check", "--range", "HEAD~1..HEAD").status == 1
    commit_as_stored(yard, POINTER.encode())
    commit_as_stored(yard, edited(GOOD, {EGR: b"\x3f"}))
    assert "egr" in yard.call("check", "--range", "HEAD~1..HEAD").flat


def test_the_result_of_an_extension_is_not_guessed(yard: Scratch, tmp_path: Path) -> None:
    # The program turns an honest image into the slip when it is checked out.
    (tmp_path / "slip").write_bytes(BAD)
    (tmp_path / "honest").write_bytes(edited(GOOD, {HULL: b"HERON-9     "}))
    yard.must("config", "lfs.extension.turn.clean", f"cat {tmp_path / 'honest'}")
    yard.must("config", "lfs.extension.turn.smudge", f"cat {tmp_path / 'slip'}")
    yard.must("config", "lfs.extension.turn.priority", "0")
    yard.write(HERON, BAD)
    yard.must("add", HERON)
    assert EXTENSION in yard.must("show", f":{HERON}")
    text = "its git-lfs pointer has extensions, whose programs callint does not start"
    staged = yard.staged()
    assert staged.status == 1 and text in staged.flat
    yard.must("commit", "--quiet", "--no-verify", "--message", "Turned")
    assert smudged(yard) == BAD
    result = yard.call("check", "--range", "HEAD~1..HEAD")
    assert result.status == 1 and text in result.flat
    assert text in yard.call("show", f"HEAD:{HERON}").error


def test_an_image_of_part_of_the_memory_does_not_hide_a_pointer(yard: Scratch) -> None:
    # Of such an image any length fits, that of a pointer too.
    yard.write("callint.toml", POLICY + "start = 0x00\n")
    yard.write(HERON, GOOD[:0x70])
    yard.must("commit", "--quiet", "--no-verify", "--all", "--message", "Parts")
    part = BAD[:0x70]
    oid = hashlib.sha256(part).hexdigest()
    yard.write(f".git/lfs/objects/{oid[:2]}/{oid[2:4]}/{oid}", part)
    text = POINTER.replace(OID, oid).replace(f"size {len(BAD)}", f"size {len(part)}")
    for form in (text, text.replace("\n", "\r\n"), f"\n{text}"):
        commit_as_stored(yard, form.encode())
        assert smudged(yard) == part
        assert SLIP in yard.call("check", "--range", "HEAD~1..HEAD").flat
        commit_as_stored(yard, GOOD[:0x70])


def test_a_pointer_in_the_index_is_judged_and_not_the_working_tree(yard: Scratch) -> None:
    yard.stage(HERON, BAD)
    yard.write(HERON, GOOD)
    assert SLIP in yard.staged().flat
    yard.stage(HERON, edited(GOOD, {HULL: b"HERON-9     "}))
    yard.write(HERON, BAD)
    assert yard.staged().status == 0


@pytest.mark.parametrize(
    "text", ["[lfs]\n\tstorage = /nowhere\n", "[lfs]\n\turl = http://127.0.0.1:1/\n", "[broken"]
)
def test_a_committed_configuration_of_git_lfs_moves_no_store(yard: Scratch, text: str) -> None:
    yard.write(".lfsconfig", text)
    yard.must("add", ".lfsconfig")
    if "broken" in text:  # with this git-lfs itself refuses to work
        commit_as_stored(yard, POINTER.encode())
        assert SLIP in yard.call("check", "--range", "HEAD~1..HEAD").flat
    else:
        yard.stage(HERON, BAD)
        assert SLIP in yard.staged().flat
