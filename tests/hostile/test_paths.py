"""No link, path or setting of a repository makes callint read or write outside it."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from tests.commands.initiating import state
from tests.hostile.repository import A2L, BASE, COMMANDS, DEFINITION, HERON, WAIVED, WAYS, Hostile
from tests.running import BAD, edited, make_repository, yard_definition

pytestmark = pytest.mark.skipif(os.name == "nt", reason="links need a right on Windows")

#: Files of the repository, each with the canary that a link in its place leads to.
LINKED = {
    "callint.toml": "secret.toml",
    DEFINITION: "secret.xml",
    BASE: "secret.bin",
    HERON: "secret.bin",
    "boats/auk.bin": "secret.bin",
    "engine.a2l": "secret.a2l",
    "list.csv": "secret.csv",
    "defs": "folder",
    "factory": "folder",
    "boats": "folder",
    ".gitattributes": "secret.toml",
    ".gitignore": "secret.toml",
    ".mailmap": "secret.toml",
    ".pre-commit-config.yaml": "secret.toml",
    "merged.bin": "secret.bin",
    "merged.bin.conflicts.txt": "secret.toml",
    "merged.bin.conflicts.json": "secret.toml",
    "boats/auk.bin.conflicts.txt": "secret.toml",
    "carried.bin": "secret.bin",
    "imported.xml": "secret.xml",
    ".git/hooks": "folder",
    ".git/hooks/pre-commit": "program",
    ".git/callint": "folder",
    ".git/lfs": "folder",
    ".git/info": "folder",
}

#: The links that are in place at once: none of these keeps a command from a place where another one is.
TOGETHER = (
    (
        *(".mailmap", ".pre-commit-config.yaml", ".git/lfs", ".git/info", "list.csv", "merged.bin"),
        *("carried.bin", "boats/auk.bin.conflicts.txt"),
    ),
    ("imported.xml", "merged.bin.conflicts.txt", ".gitattributes", ".git/hooks"),
    ("engine.a2l", "merged.bin.conflicts.json", ".gitignore", ".git/hooks/pre-commit", ".git/callint"),
)
#: Those of them that stop callint init, which no other command looks at; so init meets each alone too.
OF_INIT = (".gitattributes", ".gitignore", ".git/hooks", ".git/hooks/pre-commit", ".git/callint")
_TOGETHER = {name for names in TOGETHER for name in names}
LINKS = (*((name,) for name in LINKED if name not in _TOGETHER), *TOGETHER)

#: The ways of callint init.
_INIT = [arguments for arguments in WAYS.values() if arguments[0] == "init"]
#: The ways that read what git stores.
STORED = {
    name: arguments
    for name, arguments in WAYS.items()
    if "--" in name or "revision" in name or name.startswith(("history", "init"))
}


def put_link(link: Path, target: Path) -> None:
    if link.is_dir() and not link.is_symlink():
        shutil.rmtree(link)
    link.unlink(missing_ok=True)
    link.symlink_to(target)


@pytest.mark.parametrize("names", LINKS, ids=" ".join)
def test_no_link_is_followed_out_of_the_repository(hostile: Hostile, names: tuple[str, ...]) -> None:
    for name in names:
        put_link(hostile.yard.root / name, hostile.outside / LINKED[name])
    hostile.tried_each(WAYS.values())


@pytest.mark.parametrize(
    # Git commits nothing of its own folder.
    "names",
    [names for names in LINKS if not all(name.startswith(".git/") for name in names)],
    ids=" ".join,
)
def test_no_committed_link_is_followed_out_of_the_repository(
    hostile: Hostile, names: tuple[str, ...]
) -> None:
    hostile.yard.must("reset", "--quiet", "--hard")
    for name in names:
        if not name.startswith(".git/"):
            put_link(hostile.yard.root / name, hostile.outside / LINKED[name])
    hostile.yard.must("add", "--all", "--force")
    hostile.yard.must("commit", "--quiet", "--no-verify", "--message", "A link")
    hostile.tried_each(STORED.values())


@pytest.mark.parametrize("name", OF_INIT)
def test_init_follows_no_link_out_of_the_repository(hostile: Hostile, name: str) -> None:
    put_link(hostile.yard.root / name, hostile.outside / LINKED[name])
    hostile.tried_each(_INIT)
    if name.startswith(".git/"):
        return
    hostile.yard.must("add", "--force", "--", name)
    hostile.yard.must("commit", "--quiet", "--no-verify", "--message", "A link")
    hostile.tried_each(_INIT)


def test_a_hard_link_to_a_file_outside_is_never_written_through(hostile: Hostile) -> None:
    contents = {}
    for name in ("callint.toml", DEFINITION, BASE, HERON, "engine.a2l", "list.csv", "merged.bin"):
        inside = hostile.yard.root / name
        twin = hostile.outside.parent / f"twin of {inside.name}"
        if not inside.exists():
            inside.write_bytes(BAD)
        os.link(inside, twin)
        contents[twin] = twin.read_bytes()
    for arguments in WAYS.values():
        hostile.tried(*arguments)
        assert {twin: twin.read_bytes() for twin in contents} == contents


@pytest.mark.parametrize("output", ["merged.bin", "carried.bin", "report.json", "page.txt"])
def test_no_output_leaves_through_a_link(hostile: Hostile, output: str) -> None:
    put_link(hostile.yard.root / "reports", hostile.outside / "folder")
    put_link(hostile.yard.root / output, hostile.outside / "secret.bin")
    places = (output, f"reports/{output}")
    for place in places:
        for arguments in (
            ("check", "--format", "json", "--output", place),
            ("diff", BASE, HERON, "--format", "json", "--output", place),
            ("show", HERON, "--format", "json", "--output", place),
            ("merge", BASE, HERON, "boats/auk.bin", "--to", place),
            ("carry", BASE, "boats/auk.bin", BASE, "--to", place),
            ("import", "engine.a2l", "--to", place),
        ):
            hostile.tried(*arguments)
    assert "leads out of the repository" in hostile.tried(*arguments).error


def test_an_image_behind_a_link_to_the_outside_is_not_sealed_or_shown(hostile: Hostile) -> None:
    put_link(hostile.yard.root / HERON, hostile.outside / "secret.bin")
    for arguments in (("seal", HERON), ("show", HERON), ("diff", BASE, HERON)):
        assert "boats/heron.bin: a link leads out of the repository" in hostile.tried(*arguments).error


def test_a_policy_behind_a_link_to_the_outside_is_not_read(hostile: Hostile) -> None:
    put_link(hostile.yard.root / "callint.toml", hostile.outside / "secret.toml")
    for arguments in (("check",), ("check", HERON), ("check", "--policy", "callint.toml"), WAIVED):
        assert "callint.toml: a link leads out of the repository" in hostile.tried(*arguments).error


#: The ways to use a policy. The others read it as these do.
_BY_POLICY = ("check", "check --staged", "show", "waive", "seal", "init")
#: Paths that lead out, and how many ways meet them in a policy.
_OUTSIDE = {
    "../outside/secret.bin": tuple(WAYS),
    "boats/../../outside/secret.bin": _BY_POLICY,
    "{outside}/secret.bin": _BY_POLICY,
    "..\\\\outside\\\\secret.bin": _BY_POLICY,
}


@pytest.mark.parametrize("path", _OUTSIDE)
@pytest.mark.parametrize("key", ["paths", "definition", "base"])
def test_no_path_of_a_policy_leaves_the_repository(hostile: Hostile, key: str, path: str) -> None:
    lines = {"paths": '["boats/*.bin"]', "definition": f'"{DEFINITION}"', "base": f'"{BASE}"'}
    lines[key] = f'["{path.format(outside=hostile.outside)}"]'
    text = "[[images]]\n" + "".join(f"{name} = {value}\n" for name, value in lines.items())
    hostile.yard.stage("callint.toml", text)
    names = _OUTSIDE[path]
    for name, result in zip(names, hostile.tried_each(WAYS[name] for name in names), strict=True):
        if name in _BY_POLICY:
            assert "leads out of the repository; give a path inside it" in result.error


@pytest.mark.parametrize(
    "name", ["../outside/secret.a2l", "{outside}/secret.a2l", "sub/../../outside/secret.a2l", "link.a2l"]
)
def test_no_description_includes_what_lies_outside(hostile: Hostile, name: str) -> None:
    (hostile.yard.root / "link.a2l").symlink_to(hostile.outside / "secret.a2l")
    name = name.format(outside=hostile.outside)
    hostile.yard.write("engine.a2l", A2L.replace("/begin CHAR", f'/include "{name}"\n/begin CHAR'))
    assert "leads out of the folder" in hostile.tried(*COMMANDS["import"]).error


def test_a_log_behind_a_link_to_the_outside_is_not_read(hostile: Hostile) -> None:
    put_link(hostile.yard.root / "drive.csv", hostile.outside / "secret.csv")
    for arguments in (("show", HERON), ("diff", BASE, HERON)):
        assert "a link leads out" in hostile.tried(*arguments, "--log", "drive.csv").error


# Settings of git that name places


#: None of these keeps a command from a place that another one names.
_NAMING = ("core.attributesFile", "mailmap.file", "commit.template", "lfs.storage", "safe.directory")
#: These stop callint init, and no other command asks for them; so init meets each alone.
_STOPPING_INIT = ("core.hooksPath", "core.sharedRepository")


@pytest.mark.parametrize(
    ("settings", "ways"),
    [
        (("core.worktree",), list(WAYS.values())),
        (("core.excludesFile",), list(WAYS.values())),
        (("include.path",), list(WAYS.values())),
        # With a bad core.sharedRepository git changes no more settings.
        ((*_NAMING, *_STOPPING_INIT), list(WAYS.values())),
        *(((name,), _INIT) for name in _STOPPING_INIT),
        (_NAMING, _INIT),
    ],
    ids=lambda item: " ".join(item) if isinstance(item, tuple) else f"{len(item)} ways",
)
@pytest.mark.parametrize("place", ["folder", "secret.toml"])
def test_no_setting_leaves_the_repository(
    hostile: Hostile, settings: tuple[str, ...], ways: list[tuple[str, ...]], place: str
) -> None:
    (hostile.outside / "folder" / ".keep").touch()
    (hostile.outside / "secret.toml").write_text(f"{'LEAKEDSECRET'} <ada@yard.example>\n", "utf-8")
    for setting in settings:
        hostile.yard.must("config", setting, str(hostile.outside / place))
    hostile.tried_each(ways)


def test_hooks_outside_are_not_written(hostile: Hostile) -> None:
    hostile.yard.must("config", "core.hooksPath", str(hostile.outside / "folder"))
    assert "give --no-hook" in hostile.tried("init").error
    assert hostile.tried("init", "--no-hook").status == 0


def test_settings_behind_a_link_to_the_outside_are_not_written(hostile: Hostile) -> None:
    config = hostile.yard.root / ".git" / "config"
    config.rename(hostile.outside / "gitconfig")
    config.symlink_to(hostile.outside / "gitconfig")
    assert "leads out of the repository" in hostile.tried("init").error
    hostile.tried_each(WAYS.values())


def test_a_repository_that_borrows_anothers_folder_does_not_write_into_it(hostile: Hostile) -> None:
    other = make_repository(hostile.outside / "other")
    before = state(other.root)
    shutil.rmtree(hostile.yard.root / ".git")
    (hostile.yard.root / ".git").write_text(f"gitdir: {other.root / '.git'}\n", "utf-8")
    hostile.tried_each(WAYS.values())
    assert state(other.root) == before


def test_the_record_of_init_removes_nothing_outside(hostile: Hostile) -> None:
    import json

    files = {
        key: {"digest": None, "gap": "", "created": True}
        for key in (
            "../../../outside/program",
            "../../../outside/secret.toml",
            "../../outside/secret.bin",
            str(hostile.program),
        )
    }
    record = {
        "format": "callint-init",
        "version": 1,
        "files": files,
        "settings": {},
        "folders": ["../../../outside/folder"],
    }
    hostile.yard.write(".git/callint/init.json", json.dumps(record))
    (hostile.outside / "empty").mkdir()
    hostile.tried("init", "--undo")


def test_a_bare_repository_in_the_working_tree_is_not_used(hostile: Hostile) -> None:
    bare = hostile.yard.root / "boats" / "bare"
    hostile.yard.must("init", "--quiet", "--bare", str(bare))
    hostile.yard.must("config", "--file", str(bare / "config"), "core.fsmonitor", str(hostile.program))
    hostile.yard.must("config", "--file", str(bare / "config"), "core.pager", str(hostile.program))
    hostile.yard.must("config", "--file", str(bare / "config"), "core.worktree", str(hostile.outside))
    hostile.tried_each(WAYS.values())


def test_a_submodule_is_looked_into_by_nobody(hostile: Hostile) -> None:
    inner = make_repository(hostile.outside.parent / "inner")
    inner.write("heron.bin", edited(BAD, {}))
    inner.commit()
    hostile.yard.must(
        "-c", "protocol.file.allow=always", "submodule", "--quiet", "add", str(inner.root), "boats/inner"
    )
    hostile.yard.must(
        "config", "--file", ".gitmodules", "submodule.boats/inner.update", f"!{hostile.program}"
    )
    hostile.yard.must("add", "--all")
    hostile.tried_each(WAYS.values())


# What XML may not bring along

_NOTHING_BUT_THIS = yard_definition().decode()


@pytest.mark.parametrize(
    "head",
    [
        '<!DOCTYPE d [<!ENTITY e SYSTEM "file://{outside}/secret.toml">]>',
        '<!DOCTYPE d [<!ENTITY % e SYSTEM "{address}x.dtd"> %e;]>',
        '<!DOCTYPE d SYSTEM "{address}x.dtd">',
        '<!DOCTYPE d [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>',
        '<?xml-stylesheet href="{address}x.xsl"?>',
    ],
)
def test_no_definition_and_no_cdfx_brings_an_entity(hostile: Hostile, head: str) -> None:
    head = head.format(outside=hostile.outside, address=hostile.address)
    text = _NOTHING_BUT_THIS
    text = text.replace("<definition ", f"{head}<definition ", 1).replace(
        "Fuel by speed", "&e;&b;" if "DOCTYPE" in head else "x"
    )
    hostile.yard.stage(DEFINITION, text)
    category = "&e;" if "DOCTYPE" in head else "CDF20"
    hostile.yard.write("values.cdfx", f"{head}<MSRSW><CATEGORY>{category}</CATEGORY></MSRSW>")
    hostile.tried_each((*WAYS.values(), ("diff", HERON, "values.cdfx")))
    if "DOCTYPE" in head:
        assert "DOCTYPE" in hostile.tried("check").stdout


def test_no_schema_and_no_inclusion_is_fetched(hostile: Hostile) -> None:
    where = (
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="urn:callint:definition:1 {hostile.address}"'
    )
    text = _NOTHING_BUT_THIS.replace("<definition ", f"<definition {where} ", 1)
    hostile.yard.write(DEFINITION, text)
    assert hostile.tried("check", HERON).status == 1
    name = 'xmlns:xi="http://www.w3.org/2001/XInclude"'
    inclusion = f'<xi:include {name} parse="text" href="{hostile.outside}/secret.toml"/>'
    hostile.yard.write(DEFINITION, _NOTHING_BUT_THIS.replace("</tables>", f"{inclusion}</tables>"))
    assert hostile.tried("check", HERON).status == 1
