"""``callint release``: the gate before a flash, and what it writes."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import bincopy
import pytest
from intelhex import IntelHex

from callint.decoding.digest import content_digest
from callint.model.image import Image, Segment
from tests.building import u16
from tests.rules.example import table_digest
from tests.running import (
    CUT,
    GOOD,
    HULL,
    NOTHING,
    POLICY,
    SEAL,
    SIZE,
    SMOKE,
    SOFTWARE,
    Scratch,
    edited,
    environment,
    make_repository_yard,
    too_wide,
    valid,
    yard_base,
    yard_definition,
)
from tests.test_families import child
from tests.versioning.signing import gpg_home, make_ssh_keys, needs_gpg, needs_ssh, sign_by_ssh

HERON = "boats/heron.bin"
RELEASE = ("release", HERON, "--to", "out")
STRICT = f"second-person = true\n\n{POLICY}"
#: A later cap of the smoke, which is a warning: the table protects less than the base.
WEAKER = edited(yard_base(), {SMOKE: u16(610)})


@pytest.fixture
def yard(tmp_path: Path) -> Scratch:
    return make_repository_yard(tmp_path / "yard", heron=GOOD)


def manifest(yard: Scratch, folder: str = "out") -> Any:
    return valid(json.loads((yard.root / folder / "manifest.json").read_text("utf-8")), "release.schema.json")


def released(yard: Scratch, *arguments: str) -> dict[str, bytes]:
    """The files of a release."""
    result = yard.call(*RELEASE, *arguments)
    assert (result.status, result.stderr) == (0, ""), result
    return {path.name: path.read_bytes() for path in (yard.root / "out").iterdir()}


def refused(yard: Scratch, *arguments: str) -> str:
    """What is said of an image that is not released; nothing is written."""
    before = yard.files()
    result = yard.call(*RELEASE, *arguments)
    assert (result.status, result.stderr) == (1, ""), result
    assert yard.files() == before
    assert yard.call("release", HERON, "--check", *arguments).stdout == result.stdout
    assert not too_wide(result.stdout)
    assert result.lines[0] == f"{HERON} is not released."
    return result.flat


# What is written


def test_a_release_has_the_image_the_review_page_and_a_manifest_with_their_digests(yard: Scratch) -> None:
    files = released(yard)
    assert set(files) == {"heron.bin", "review.html", "manifest.json"}
    assert files["heron.bin"] == GOOD
    assert b"<html" in files["review.html"] and b"fuel" in files["review.html"]
    document = manifest(yard)
    paths = {"image": HERON, "definition": "defs/yard.xml", "base": "factory/base.bin"}
    paths["policy"] = "callint.toml"
    for key, path in paths.items():
        sha256 = hashlib.sha256((yard.root / path).read_bytes()).hexdigest()
        assert {"path": path, "sha256": sha256}.items() <= document[key].items()
    for key, name in {"image": "heron.bin", "review": "review.html"}.items():
        listed = {"path": name, "sha256": hashlib.sha256(files[name]).hexdigest()}
        assert document["files"][key] == listed
    assert document["commit"]["id"] == yard.must("rev-parse", "HEAD").strip()
    assert document["summary"]["error"] == 0


def test_the_digest_of_the_content_is_that_of_its_blocks(yard: Scratch) -> None:
    """As the schema describes it, computed without callint: one block of 4096, at number 0."""
    released(yard)
    block = GOOD.ljust(4096, b"\xff")
    expected = hashlib.sha256((0).to_bytes(8, "big") + block).hexdigest()
    assert manifest(yard)["image"]["content"] == expected


def test_erased_memory_is_the_same_as_none_in_the_digest_of_the_content() -> None:
    """Whole blocks of it, parts of blocks and gaps, wherever the segments begin."""
    data = bytearray(b"\xff" * 5 * 4096)
    data[100], data[3 * 4096 + 7] = 1, 2
    whole = content_digest(Image.raw(bytes(data), 0x1000), 0xFF)
    apart = Image((Segment(0x1064, bytes([1])), Segment(0x4000, bytes(data[3 * 4096 : 3 * 4096 + 9]))))
    assert content_digest(apart, 0xFF) == whole
    assert content_digest(Image.raw(bytes(data), 0x2000), 0xFF) != whole
    assert content_digest(apart, 0x00) != whole
    assert content_digest(Image(()), 0xFF) == content_digest(Image.raw(b"\xff" * 9000), 0xFF)


def test_the_same_commit_gives_the_same_bytes_in_another_clone(yard: Scratch, tmp_path: Path) -> None:
    files = released(yard)
    yard.must("clone", "--quiet", ".", str(tmp_path / "clone"))
    assert released(Scratch(tmp_path / "clone")) == files


def test_a_release_is_repeated_but_nothing_else_is_replaced(yard: Scratch) -> None:
    files = released(yard)
    assert released(yard) == files
    yard.write("out/notes.txt", "mine")
    before = yard.files()
    assert "it exists and is not empty; name a new folder" in yard.call(*RELEASE).error
    assert yard.files() == before


FORMATS = [("hex", "heron.hex"), ("srec", "heron.s19"), ("raw", "heron.bin")]


@pytest.mark.parametrize(("form", "name"), FORMATS)
def test_an_image_is_released_in_the_format_asked_for(yard: Scratch, form: str, name: str) -> None:
    """As the libraries bincopy and intelhex read it."""
    path = yard.root / "out" / name
    assert released(yard, "--image-format", form)[name]
    if form == "hex":
        assert IntelHex(str(path)).tobinstr(0, SIZE - 1) == GOOD
    elif form == "srec":
        assert bytes(bincopy.BinFile(str(path)).as_binary()) == GOOD
    else:
        assert path.read_bytes() == GOOD


def test_a_file_of_records_is_released_as_it_is_or_as_a_raw_file(yard: Scratch) -> None:
    records = bincopy.BinFile()
    records.add_binary(GOOD)
    text = records.as_ihex(number_of_data_bytes=16).encode()
    yard.write("callint.toml", POLICY.replace("*.bin", "*"))
    yard.write(HERON, text)
    yard.commit("As records")
    assert released(yard)["heron.bin"] == text
    assert yard.call("release", HERON, "--to", "raw", "--image-format", "raw").status == 0
    assert (yard.root / "raw" / "heron.bin").read_bytes() == GOOD
    assert manifest(yard)["image"]["content"] == manifest(yard, "raw")["image"]["content"]


def test_a_raw_file_cannot_hold_a_gap(yard: Scratch) -> None:
    filled = edited(GOOD, {NOTHING: b"\xff" * 16})
    records = bincopy.BinFile()
    records.add_binary(filled[:NOTHING])
    records.add_binary(filled[SOFTWARE:], address=SOFTWARE)
    yard.write(HERON, records.as_ihex().encode())
    yard.write(
        "defs/yard.xml", yard_definition().replace(b'stored-at="0x90"', b'stored-at="0x90" gaps="fill"')
    )
    yard.commit("With a gap")
    result = yard.call(*RELEASE, "--image-format", "raw")
    assert "a raw file cannot hold the gap at 0x00070; release the image as hex or srec" in result.error


# The gate


@pytest.mark.parametrize("path", [HERON, "callint.toml", "defs/yard.xml", "factory/base.bin"])
def test_nothing_is_released_that_is_not_committed(yard: Scratch, path: str) -> None:
    data = (yard.root / path).read_bytes()
    changed = edited(data, {HULL: b"OTHER       "}) if path.endswith(".bin") else data + b"\n"
    yard.write(path, changed)
    said = f"{path} differs from the commit {yard.must('rev-parse', 'HEAD')[:8]}; commit it, or restore it"
    assert said in refused(yard)
    yard.must("add", "--all")  # what is staged is not committed yet
    assert said in refused(yard)


def test_an_image_that_git_does_not_have_is_not_released(yard: Scratch) -> None:
    yard.must("rm", "--quiet", "--cached", HERON)
    yard.must("commit", "--quiet", "--no-verify", "--message", "Without her")
    assert f"{HERON} is not committed; git add it and commit" in refused(yard)


def test_a_parent_of_the_definition_must_be_committed_too(yard: Scratch) -> None:
    (yard.root / "defs/yard.xml").rename(yard.root / "defs/parent.xml")
    yard.write("defs/yard.xml", child('<table name="egr"><limits max="59"/></table>', extends="parent.xml"))
    yard.commit("A family")
    assert released(yard)
    parts = manifest(yard)["definition"]["parts"]
    assert [part["path"] for part in parts] == ["defs/parent.xml"]
    shutil.rmtree(yard.root / "out")
    with (yard.root / "defs/parent.xml").open("a", encoding="utf-8") as parent:
        parent.write("<!-- later -->")
    assert "defs/parent.xml differs from the commit" in refused(yard)


def test_line_ends_that_git_changes_are_not_a_difference(yard: Scratch) -> None:
    for path in ("callint.toml", "defs/yard.xml"):
        data = (yard.root / path).read_bytes()
        assert b"\r" not in data
        yard.write(path, data.replace(b"\n", b"\r\n"))
    assert released(yard)


def test_an_image_with_a_stale_checksum_is_not_released_under_any_policy(yard: Scratch) -> None:
    yard.write("callint.toml", POLICY + '[severity]\n"image/stale-checksum" = "off"\n')
    yard.write(HERON, edited(GOOD, {SEAL: b"\0\0"}, seal=False))
    yard.commit("Not sealed")
    assert yard.call("check", HERON).status == 0
    assert "checksum sum is stale; run callint seal boats/heron.bin" in refused(yard)


def test_an_error_is_printed_as_check_prints_it(yard: Scratch) -> None:
    yard.write(HERON, edited(yard_base(), {CUT: u16(4750)}))
    yard.commit("Faster")
    said = refused(yard)
    assert "overspeed_cut is 4750 rpm" in said and "callint restore" not in said


def test_a_waived_error_is_released_with_its_reason_and_its_author(yard: Scratch) -> None:
    data = edited(yard_base(), {CUT: u16(4750)})
    yard.write(HERON, data)
    yard.commit("Faster")
    for rule in ("protection/disabled", "value/unexpected"):
        waive(yard, data, rule)
    yard.commit("Accept")
    result = yard.call("check", HERON)
    assert result.status == 0, result
    released(yard)
    waivers = manifest(yard)["waivers"]
    accepted = {waiver["rule"]: waiver for waiver in waivers}["protection/disabled"]
    assert accepted["who"] == "Ines Falk" and accepted["reason"] == "agreed after the trial"
    assert accepted["committed_by"] == {"name": "Ada Quay", "email": "ada@yard.example"}
    (finding,) = accepted["findings"]
    assert [f["rule"] for f in manifest(yard)["findings"] if f["fingerprint"] == finding] == [
        "protection/disabled"
    ]


def waive(yard: Scratch, data: bytes, rule: str, until: str = "") -> None:
    digest = table_digest(yard_definition(), data, "overspeed_cut")
    with (yard.root / "callint.toml").open("a", encoding="utf-8") as policy:
        policy.write(
            f'\n[[waivers]]\nrule = "{rule}"\nimage = "{HERON}"\ntable = "overspeed_cut"\n'
            f'reason = "agreed after the trial"\nwho = "Ines Falk"\ndigest = "{digest}"\n{until}'
        )


def test_an_expired_waiver_of_a_warning_prevents_a_release(yard: Scratch) -> None:
    data = edited(yard_base(), {CUT: u16(4650)})  # above the expected 4600
    yard.write(HERON, data)
    waive(yard, data, "value/unexpected", "until = 2026-01-31\n")
    yard.commit("Faster")
    rules = {finding["rule"] for finding in yard.call("check", HERON, "--format", "json").data["findings"]}
    assert "waiver/expired" in rules
    said = "Ines Falk's waiver of value/unexpected for overspeed_cut expired on 2026-01-31; renew it"
    assert said in refused(yard)


def test_the_gate_is_as_strict_as_the_policy_of_check(yard: Scratch) -> None:
    yard.write(HERON, WEAKER)
    yard.commit("Weaker")
    assert released(yard)
    shutil.rmtree(yard.root / "out")
    yard.write("callint.toml", 'fail-on = "warning"\n\n' + POLICY)
    yard.commit("Stricter")
    assert "the table protects later than the base" in refused(yard)


# A second person


def accept(yard: Scratch, author: str) -> None:
    digest = table_digest(yard_definition(), WEAKER, "smoke_cap")
    entry = (
        f'\n[[waivers]]\nrule = "protection/weakened"\nimage = "{HERON}"\ntable = "smoke_cap"\n'
        f'reason = "agreed after the trial"\nwho = "Ines Falk"\ndigest = "{digest}"\n'
    )
    yard.write("callint.toml", STRICT + entry)
    yard.must("add", "--all")
    done = yard.git(
        "commit",
        "--quiet",
        "--no-verify",
        "--message",
        "Accept",
        GIT_AUTHOR_NAME=author,
        GIT_AUTHOR_EMAIL=f"{author.lower()}@yard.example",
    )
    assert done.status == 0, done


@pytest.mark.parametrize(("author", "counts"), [("Ada", False), ("Ines", True)])
def test_a_second_person_must_accept_a_weaker_protection_even_if_it_is_a_warning(
    yard: Scratch, author: str, counts: bool
) -> None:
    yard.write("callint.toml", STRICT)
    yard.write(HERON, WEAKER)
    yard.commit("Weaker")
    assert yard.call("check", HERON).status == 0
    assert "the table protects later than the base" in refused(yard)
    accept(yard, author)
    if counts:
        assert released(yard)
        assert manifest(yard)["policy"]["second_person"] is True
        (waiver,) = manifest(yard)["waivers"]
        assert waiver["committed_by"]["name"] == author
    else:
        said = refused(yard)
        assert "the table protects later than the base" in said
        assert "Ines Falk's waiver of protection/weakened for smoke_cap" in said


# What cannot be released


def test_what_the_gate_cannot_judge_is_wrong_input(yard: Scratch, tmp_path: Path) -> None:
    yard.write("other.bin", GOOD)
    assert (
        "the policy does not name it; add the image to callint.toml"
        in yard.call("release", "other.bin", "--to", "out").error
    )
    assert yard.call("release", HERON).status == 2
    assert yard.call("release", HERON, "--check", "--to", "out").status == 2
    assert "there is no folder" in yard.call("release", HERON, "--to", "none/out").error
    new = Scratch(tmp_path / "new")
    new.write("callint.toml", POLICY)
    new.write(HERON, GOOD)
    assert "not a git repository" in new.call(*RELEASE).error
    new.must("init", "--quiet")
    assert "the repository has no commit; commit the image first" in new.call(*RELEASE).error


# Signatures


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_ssh_keys(tmp_path_factory.mktemp("keys"))


@needs_ssh
def test_a_release_is_signed_as_git_signs_if_its_settings_say_so(yard: Scratch, keys: Path) -> None:
    sign_by_ssh(yard, keys / "ines")
    assert "manifest.json.sig" not in released(yard)
    shutil.rmtree(yard.root / "out")
    yard.must("config", "commit.gpgSign", "true")
    files = released(yard)
    assert released(yard) == files  # Ed25519 signs without chance (RFC 8032)
    assert "manifest.json.sig" not in released_elsewhere(yard, "--no-sign")
    # OpenSSH itself, by its PROTOCOL.sshsig.
    command = ["ssh-keygen", "-Y", "verify", "-f", str(keys / "signers"), "-I", "ines@yard.example"]
    command += ["-n", "callint-release", "-s", str(yard.root / "out/manifest.json.sig")]
    subprocess.run(command, input=files["manifest.json"], check=True, capture_output=True)


def released_elsewhere(yard: Scratch, *arguments: str) -> set[str]:
    assert yard.call("release", HERON, "--to", "elsewhere", *arguments).status == 0
    return {path.name for path in (yard.root / "elsewhere").iterdir()}


@needs_ssh
def test_a_key_may_stand_in_the_settings_itself_if_an_agent_has_it(yard: Scratch, keys: Path) -> None:
    sign_by_ssh(yard, keys / "ines")
    yard.must("config", "user.signingKey", f"key::{(keys / 'ines.pub').read_text('utf-8').strip()}")
    # Without an agent there is no private key to it.
    result = yard.call(*RELEASE, "--sign", SSH_AUTH_SOCK="")
    assert "user.signingKey: ssh-keygen cannot sign with key::ssh-ed25519" in result.error
    assert not (yard.root / "out").exists()


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"gpg.format": "ssh"}, "user.signingKey: it is not set, and gpg.format is ssh"),
        ({"gpg.format": "ssh", "user.signingKey": "/none/key"}, "is not a file; correct the setting"),
        ({"gpg.format": "x509"}, "gpg.format: callint cannot sign by 'x509'"),
    ],
)
def test_a_missing_key_is_reported_and_nothing_is_written(
    yard: Scratch, settings: dict[str, str], said: str
) -> None:
    for key, value in settings.items():
        yard.must("config", key, value)
    before = yard.files()
    error = yard.call(*RELEASE, "--sign").error
    assert said in error and "--no-sign" in error
    assert yard.files() == before


@needs_gpg
def test_a_release_is_signed_by_gpg_and_verified(yard: Scratch) -> None:
    with gpg_home() as home:
        _sign_by_gpg(yard, home)


def _sign_by_gpg(yard: Scratch, home: str) -> None:
    yard.must("config", "user.signingKey", "ines@yard.example")
    result = yard.call(*RELEASE, "--sign", GNUPGHOME=home)
    assert result.status == 0, result
    folder = yard.root / "out"
    command = ["gpg", "--verify", str(folder / "manifest.json.asc"), str(folder / "manifest.json")]
    subprocess.run(command, check=True, capture_output=True, env=environment(GNUPGHOME=home))
    verified = yard.call("verify", HERON, "--signed", GNUPGHOME=home)
    assert verified.status == 0 and "signed by Ines Falk <ines@yard.example>" in verified.flat
    yard.write("out/manifest.json", (folder / "manifest.json").read_text("utf-8") + "\n")
    verified = yard.call("verify", HERON, "--signed", GNUPGHOME=home)
    assert verified.status == 1 and "with an invalid signature" in verified.flat
    yard.must("config", "user.signingKey", "nobody@yard.example")
    shutil.rmtree(folder)
    result = yard.call(*RELEASE, "--sign", GNUPGHOME=home)
    assert "user.signingKey: gpg cannot sign with nobody@yard.example" in result.error


def test_open_warnings_are_counted_when_an_image_is_released(yard: Scratch) -> None:
    yard.write(HERON, WEAKER)
    yard.commit("Weaker")
    result = yard.call(*RELEASE)
    assert result.status == 0
    assert f"1 warning is open; callint check {HERON} lists it." in result.flat
