"""Git's objects are judged as they are: none stands in for another, and no commit has other parents."""

from __future__ import annotations

import zlib
from pathlib import Path

import pytest

from tests.running import (
    BAD,
    EGR,
    GOOD,
    HULL,
    Scratch,
    edited,
    make_repository,
    make_repository_yard,
    with_drivers,
)

HERON = "boats/heron.bin"
OTHER = edited(GOOD, {EGR: b"\x1c"})
SLIP = "999.0 mg is above the limit of 90 mg"


@pytest.fixture
def yard(tmp_path: Path) -> Scratch:
    """An honest heron, then a slip, then the slip with another hull number."""
    yard = make_repository_yard(tmp_path / "yard", heron=GOOD)
    for message, data in (("A slip", BAD), ("A name", edited(BAD, {HULL: b"HERON-4     "}))):
        yard.write(HERON, data)
        yard.commit(message)
    return yard


def ident(yard: Scratch, name: str) -> str:
    return yard.must("rev-parse", name).strip()


def stand_in(yard: Scratch, kind: str, bad: str, good: str) -> None:
    """Have git give the blob, the tree or the commit of a good revision for that of a bad one."""
    if kind == "commit":
        parents = yard.must("rev-list", "--parents", "-1", bad).split()[1:]
        arguments = [word for parent in parents for word in ("-p", parent)]
        made = yard.must("commit-tree", f"{good}^{{tree}}", *arguments, "-m", "It looks good").strip()
        yard.must("replace", bad, made)
        return
    path = f":{HERON}" if kind == "blob" else "^{tree}"
    yard.must("replace", ident(yard, f"{bad}{path}"), ident(yard, f"{good}{path}"))


#: What may make git honour a replacement: a reference at its usual place, one that the environment names, and
#: a setting that overrules the variable which says that there are none.
HOW = ("usual", "elsewhere", "setting")


def honour(yard: Scratch, how: str) -> dict[str, str]:
    """The environment in which git honours the replacements."""
    if how == "setting":
        yard.must("config", "core.useReplaceRefs", "true")
    if how != "elsewhere":
        return {}
    for line in yard.must("for-each-ref", "--format=%(refname) %(objectname)", "refs/replace/").splitlines():
        name, target = line.split()
        yard.must("update-ref", name.replace("refs/replace/", "refs/evil/"), target)
        yard.must("update-ref", "-d", name)
    return {"GIT_REPLACE_REF_BASE": "refs/evil/"}


@pytest.mark.parametrize("how", HOW)
@pytest.mark.parametrize("kind", ["blob", "tree", "commit"])
def test_no_replacement_hides_an_image_from_a_range(yard: Scratch, kind: str, how: str) -> None:
    slip, start = ident(yard, "HEAD~1"), ident(yard, "HEAD~2")
    stand_in(yard, kind, slip, start)
    env = honour(yard, how)
    shown = yard.git("cat-file", "-p", f"{slip}:{HERON}", env=env)
    assert shown.stdout.encode("utf-8", "surrogateescape") == GOOD, "git does not honour the replacement"
    for arguments in ((f"{start}..{slip}",), (f"{start}..{slip}", "--each"), (f"{start}..HEAD", "--each")):
        result = yard.call("check", "--range", *arguments, **env)
        assert result.status == 1 and SLIP in result.flat, arguments
    assert "45.0 → 999.0" in yard.call("diff", start, slip, **env).flat
    assert "999.0" in yard.call("show", f"{slip}:{HERON}", "fuel", **env).stdout


@pytest.mark.parametrize("kind", ["blob", "tree", "commit"])
def test_no_replacement_makes_an_old_image_look_as_bad_as_the_new_one(yard: Scratch, kind: str) -> None:
    start = ident(yard, "HEAD~2")
    stand_in(yard, kind, start, "HEAD~1")
    for arguments in (("--since", start), ("--range", f"{start}..HEAD")):
        result = yard.call("check", *arguments)
        assert result.status == 1 and SLIP in result.flat, arguments


@pytest.mark.parametrize("how", HOW)
def test_no_replacement_hides_what_is_staged(yard: Scratch, how: str) -> None:
    staged = edited(BAD, {EGR: b"\x1c"})
    yard.stage(HERON, staged)
    yard.must("replace", ident(yard, f":{HERON}"), ident(yard, f"HEAD~2:{HERON}"))
    result = yard.staged(**honour(yard, how))
    assert result.status == 1 and SLIP in result.flat


def test_no_replacement_of_head_hides_that_something_is_staged(yard: Scratch) -> None:
    # Where HEAD seems to hold what is staged, nothing seems to be about to be committed.
    yard.stage(HERON, edited(BAD, {EGR: b"\x1c"}))
    tree = yard.must("write-tree").strip()
    made = yard.must("commit-tree", tree, "-p", "HEAD~1", "-m", "As it is staged").strip()
    yard.must("replace", "HEAD", made)
    assert yard.must("diff", "--cached", "--name-only") == ""
    result = yard.staged()
    assert result.status == 1 and SLIP in result.flat


def test_history_names_the_commit_that_is_there(yard: Scratch) -> None:
    stand_in(yard, "commit", "HEAD~1", "HEAD~2")
    document = yard.call("history", HERON, "fuel", "--format", "json").data
    assert [commit["subject"] for commit in document["commits"]] == ["A name", "A slip", "The yard"]


def test_a_server_judges_what_is_pushed_and_not_what_was_pushed_for_it(tmp_path: Path, yard: Scratch) -> None:
    server = make_repository(tmp_path / "server.git", "--bare")
    path = with_drivers(yard, tmp_path / "bin")["PATH"]
    hook = server.root / "hooks" / "pre-receive"
    hook.parent.mkdir(exist_ok=True)
    hook.write_text(
        "#!/bin/sh\n"
        "while read old new name; do\n"
        '  case "$name" in refs/heads/*) ;; *) continue ;; esac\n'
        '  case "$old" in *[!0]*) callint check --range "$old..$new" --each || exit 1 ;; esac\n'
        "done\n",
        "utf-8",
    )
    hook.chmod(0o755)
    push = ("push", "--quiet", str(server.root))
    assert yard.git(*push, "HEAD~2:refs/heads/main", PATH=path).status == 0
    slip, good = ident(yard, f"HEAD~1:{HERON}"), ident(yard, f"HEAD~2:{HERON}")
    for blob in (slip, ident(yard, f"HEAD:{HERON}")):
        yard.must("replace", blob, good)
    assert yard.git(*push, "refs/replace/*:refs/replace/*", PATH=path).status == 0
    pushed = yard.git(*push, "HEAD:refs/heads/main", PATH=path)
    assert pushed.status != 0 and SLIP in " ".join(pushed.stderr.replace("remote: ", "").split())
    assert ident(server, "main") == ident(yard, "HEAD~2")


# Parents


def graft(yard: Scratch, how: str) -> dict[str, str]:
    """Give HEAD the parent of its parent; the environment in which git believes that."""
    line = f"{ident(yard, 'HEAD')} {ident(yard, 'HEAD~2')}\n"
    if how == "variable":
        return {"GIT_GRAFT_FILE": str(yard.write("../grafts", line))}
    yard.write(".git/info/grafts", line)
    return {}


@pytest.fixture
def corrected(yard: Scratch) -> Scratch:
    """An honest heron, a slip, and a commit that puts it right."""
    yard.must("reset", "--quiet", "--hard", "HEAD~1")
    yard.write(HERON, edited(GOOD, {HULL: b"HERON-4     "}))
    yard.commit("Put right")
    return yard


@pytest.mark.parametrize("how", ["file", "variable"])
def test_no_graft_hides_a_commit(corrected: Scratch, how: str) -> None:
    start = ident(corrected, "HEAD~2")
    env = graft(corrected, how)
    listed = corrected.git("log", "--format=%s", f"{start}..HEAD", env=env).stdout
    assert listed == "Put right\n", "git does not believe the graft"
    result = corrected.call("check", "--range", f"{start}..HEAD", "--each", **env)
    assert result.status == 1 and SLIP in result.flat
    assert "A slip" in corrected.call("history", HERON, "fuel", "--cell", "1600,40", **env).stdout


def test_no_commit_graph_hides_a_commit(corrected: Scratch) -> None:
    yard = corrected
    # Of the commit that is asked for git reads the parents itself.
    yard.must("commit", "--quiet", "--allow-empty", "--message", "On top")
    start, forged = ident(yard, "HEAD~3"), ident(yard, "HEAD~1")
    yard.must("commit-graph", "write", "--reachable")
    place = yard.root / ".git/objects/info/commit-graph"
    data = bytearray(place.read_bytes())
    # By git's gitformat-commit-graph: a table of chunks, 4 bytes of name and 8 of offset; OIDL has the ids
    # in order, CDAT for each the tree's id and the first parent's number.
    table = {bytes(data[at : at + 4]): int.from_bytes(data[at + 4 : at + 12]) for at in range(8, 80, 12)}
    ids = sorted(yard.must("rev-list", "HEAD").split())
    entry = table[b"CDAT"] + 36 * ids.index(forged)
    data[entry + 20 : entry + 24] = ids.index(start).to_bytes(4)
    place.chmod(0o644)
    place.write_bytes(data)
    assert yard.must("log", "--format=%s", f"{start}..HEAD") == "On top\nPut right\n"
    result = yard.call("check", "--range", f"{start}..HEAD", "--each")
    assert result.status == 1 and SLIP in result.flat


def test_a_variable_does_not_say_where_the_history_ends(yard: Scratch) -> None:
    env = {"GIT_SHALLOW_FILE": str(yard.write("../shallow", f"{ident(yard, 'HEAD')}\n"))}
    assert yard.git("log", "--format=%s", env=env).stdout == "A name\n"
    document = yard.call("history", HERON, "fuel", "--format", "json", **env).data
    assert [commit["subject"] for commit in document["commits"]] == ["A name", "A slip", "The yard"]


# Contents under a false id


def test_a_content_that_does_not_match_its_id_is_rejected(yard: Scratch) -> None:
    blob = ident(yard, f"HEAD~1:{HERON}")
    place = yard.root / ".git/objects" / blob[:2] / blob[2:]
    place.chmod(0o644)
    place.write_bytes(zlib.compress(b"blob %d\0" % len(GOOD) + GOOD))
    assert yard.git("cat-file", "-p", blob).status == 0, "git notices by itself"
    result = yard.call("check", "--range", "HEAD~2..HEAD~1")
    assert result.status == 1
    assert "its content in the repository is damaged; git fsck finds out more" in result.flat
    assert "damaged" in yard.call("show", f"HEAD~1:{HERON}").error


# Names


def test_a_tag_does_not_take_the_place_of_a_branch(yard: Scratch) -> None:
    yard.must("checkout", "--quiet", "-b", "topic")
    yard.must("branch", "--force", "main", "HEAD~2")
    assert yard.call("check", "--range", "main..topic").status == 1
    yard.must("tag", "main", "topic")
    assert yard.must("rev-list", "main..topic") == ""
    error = yard.call("check", "--range", "main..topic").error
    assert "main: main names more than one commit" in error and "heads/main" in error
    for arguments in (("check", "--since", "main"), ("diff", "main", "topic"), ("show", f"main:{HERON}")):
        assert "names more than one commit" in yard.call(*arguments).error, arguments
    for span in ("heads/main..topic", f"{ident(yard, 'heads/main')}..topic"):
        assert yard.call("check", "--range", span).status == 1


def test_a_branch_does_not_take_the_place_of_head_or_of_an_id(yard: Scratch) -> None:
    head = ident(yard, "HEAD")
    for name in ("HEAD", head):
        yard.must("update-ref", f"refs/heads/{name}", "HEAD~2")
    for span in ("HEAD~2..HEAD", f"HEAD~2..{head}"):
        result = yard.call("check", "--range", span)
        assert result.status == 1 and SLIP in result.flat, span
    yard.must("update-ref", f"refs/heads/{head[:10]}", "HEAD~2")
    assert "names more than one" in yard.call("check", "--range", f"HEAD~2..{head[:10]}").error
