"""The plan by which callint init sets up a repository, to be printed or carried out.

callint makes the whole plan before it writes anything, and every error comes up while it makes the plan. A
record (``versioning/init/record.py``) lists what was written: it distinguishes callint init's content from
the user's, so that ``versioning/init/undo.py`` can undo it to the byte. Each clone has its own record: undo
keeps what a colleague committed.
"""

from __future__ import annotations

import glob
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

from callint.checking.assignments import assignments
from callint.model.errors import InputError
from callint.model.policy import Policy
from callint.reading.definition_sniff import looks_like_xml
from callint.reading.family import find_family
from callint.reading.policy import read_policy
from callint.reading.tree import (
    CONFLICT_DATA,
    CONFLICT_TEXT,
    POLICY,
    WorkingTree,
    content_or_reason,
    find_root,
)
from callint.versioning.git.attributes import read_attributes
from callint.versioning.git.config import read_settings, require_own_config
from callint.versioning.git.repository import Repo, top_level
from callint.versioning.init.first_policy import policy_text
from callint.versioning.init.gitattributes_patterns import attribute_pattern, ignore_pattern
from callint.versioning.init.hooks import framework_entry, git_hooks, has_framework_entry
from callint.versioning.init.plan_context import InitOptions, PlanContext
from callint.versioning.init.record import (
    RecordedFile,
    digest_of,
    read_record,
)
from callint.versioning.init.steps import FileStep, Plan, SettingStep
from callint.versioning.textconv_cache import keyless, text_form_key

ATTRIBUTES, IGNORED = ".gitattributes", ".gitignore"
#: The number of images whose attributes are verified: images in one folder mostly have the same attributes.
_VERIFIED_IMAGES = 200

_DRIVER_COMMAND = re.compile(r" diff --driver(?: --policy (?P<policy>.+))? --$")


def plan(repo: Repo, options: InitOptions) -> Plan:
    """The plan for everything that is missing; writes nothing. InputError if something prevents it."""
    require_own_config(repo)
    record = read_record(repo)
    context = PlanContext(repo, record, options)
    steps = tuple(_steps(context))
    return Plan(steps, record.step(), tuple(context.remarks))


def _steps(context: PlanContext) -> Iterator[FileStep | SettingStep]:
    text, step = _policy_file(context)
    policy = read_policy(text, POLICY)
    if step:
        yield step
    images = dict.fromkeys(path for entry in policy.images for path in entry.paths)
    # The policy names a base by its path, not by a glob.
    bases = dict.fromkeys(glob.escape(base) for entry in policy.images for base in entry.bases)
    patterns = dict.fromkeys(attribute_pattern(path) for path in (*images, *bases))
    lines = [f"{pattern} -text diff=callint merge=callint" for pattern in patterns]
    definitions = dict.fromkeys(map(glob.escape, policy.definitions))
    lines += [f"{attribute_pattern(path)} diff=callint-definition merge=callint" for path in definitions]
    further = _further_definitions(context, policy)
    for path, is_definition in further.items():
        # A file of shared parts has no meaning by itself that could be compared.
        driver = " diff=callint-definition" if is_definition else ""
        lines.append(f"{attribute_pattern(glob.escape(path))}{driver} merge=callint")
    yield from context.write_block(
        context.root / ATTRIBUTES, lines, "git's drivers for images and definitions"
    )
    merged = [*images, *definitions, *map(glob.escape, further)]
    lines = [ignore_pattern(path, suffix) for path in merged for suffix in (CONFLICT_TEXT, CONFLICT_DATA)]
    yield from context.write_block(context.root / IGNORED, lines, "conflict lists are not committed")
    yield from _settings(context, text, policy)
    uses_framework = context.options.pre_commit or has_framework_entry(context)
    if uses_framework:
        yield from framework_entry(context)
    yield from git_hooks(context, wanted=context.options.hook and not uses_framework)
    if not images:
        context.remarks.append(f"Name your images in {POLICY}, then call callint init again.")
    elif not assignments(policy, WorkingTree(context.root)):
        context.remarks.append(f"No file matches the paths in {POLICY} yet.")


def _further_definitions(context: PlanContext, policy: Policy) -> dict[str, bool]:
    """The files that definitions build on and that the policy does not name; whether each is a definition."""
    tree, further = WorkingTree(context.root), dict[str, bool]()
    for definition in policy.definitions:
        if not isinstance(data := content_or_reason(tree, definition), bytes):
            continue
        family = find_family(data, definition, tree)
        parents = {member.path for member in family.line}
        further.update((path, path in parents) for path in family.paths if path not in policy.definitions)
    return {
        path: is_definition
        for path, is_definition in further.items()
        if ".." not in path.split("/") and (context.root / path).is_file()
    }


def _policy_file(context: PlanContext) -> tuple[bytes, FileStep | None]:
    """The policy's content, and the step that writes it if it does not exist yet."""
    path, options = context.root / POLICY, context.options
    old = context.read(path)
    if (options.definitions or options.bases) and not options.images:
        raise InputError("--definition and --base need images; name them, as in 'boats/*.bin'")
    if old is not None and not options.images:
        return old, None
    new = _policy_text(context).encode()
    if new == old:
        return old, None
    recorded = context.record.files.get(context.record.key(path))
    if old is not None and (recorded is None or recorded.digest != digest_of(old)):
        raise InputError(
            f"{path}: it already exists; add the images to it and run callint init without images"
        )
    context.record_file(path, RecordedFile(digest_of(new), "", True))
    return new, FileStep(path, old, new, "the policy: which images belong to what")


def _policy_text(context: PlanContext) -> str:
    options = context.options
    if options.images and not options.definitions:
        raise InputError("--definition is missing; give the definition of the images")
    images = dict.fromkeys(context.from_root(image) for image in options.images)
    for image in images:
        if not glob.has_magic(image) and not (context.root / image).exists():
            raise InputError(f"{image}: it does not exist; check the path, or give a glob in quotes")
    definitions = [context.existing(path) for path in options.definitions]
    for path, file in zip(definitions, options.definitions, strict=True):
        if not looks_like_xml(context.read(context.root / path) or b""):
            raise InputError(f"{file}: it is not a definition; name the XML file that describes the images")
    return policy_text(tuple(images), definitions, [context.existing(base) for base in options.bases])


def _settings(context: PlanContext, text: bytes, policy: Policy) -> Iterator[SettingStep]:
    program, option = context.options.program, context.policy_option()
    key = text_form_key(text, policy, WorkingTree(context.root))
    # git replaces %O and the like by names, so a percent sign of the path itself must be doubled.
    merge = f"{program} merge --driver{option}".replace("%", "%%")
    wanted = {
        "diff.callint.command": (
            f"{program} diff --driver{option} --",
            "git diff shows images table by table",
        ),
        "diff.callint.textconv": (
            f"{program} show --plain{option} --key {key} --",
            "git log -p, git show and git blame read their text form",
        ),
        "diff.callint.cachetextconv": ("true", "git keeps that text form"),
        # git would treat an image without NUL among its first bytes as text.
        "diff.callint.binary": ("true", "git add -p and patches do not take images for text"),
        "diff.callint-definition.command": (
            f"{program} diff --driver{option} --",
            "git diff shows what definitions demand and read otherwise",
        ),
        "diff.callint-definition.textconv": (
            f"{program} show --plain{option} --",
            "git log -p, git show and git blame read them attribute by attribute",
        ),
        "merge.callint.name": ("engine calibrations, cell by cell", "what git calls the merge"),
        "merge.callint.driver": (
            f"{merge} -- %O %A %B %P",
            "git merge merges images and definitions by what they mean",
        ),
    }
    present = read_settings(context.repo)
    _refuse_second_policy(context, present)
    for name, (value, purpose) in wanted.items():
        values = present.get(name, [])
        if values == [value]:
            continue
        if values and (len(values) > 1 or not _is_recorded(context, name, values[0])):
            raise InputError(
                f"{name}: it is {values[-1]!r} and was not set by callint init; "
                f"git config --remove-section {name.rpartition('.')[0]} clears it"
            )
        context.record.settings[name] = value
        yield SettingStep(name, values[0] if values else None, value, purpose)


def _is_recorded(context: PlanContext, name: str, value: str) -> bool:
    return keyless(context.record.settings.get(name, "")) == keyless(value)


def _refuse_second_policy(context: PlanContext, present: dict[str, list[str]]) -> None:
    """InputError if git's drivers use another policy: a repository has one set of drivers."""
    for command in present.get("diff.callint.command", []):
        match = _DRIVER_COMMAND.search(command)
        if match is None:
            continue
        policy = shlex.split(match["policy"])[0] if match["policy"] else POLICY
        if policy != context.policy_from_top() and (context.top / policy).is_file():
            raise InputError(
                f"{context.root / POLICY}: git's drivers follow {policy} here, and can follow one policy "
                "only; move the entries into one, or call callint init --undo first"
            )


def foreign_attributes(repo: Repo, here: Path) -> list[str]:
    """Sentences about images and definitions whose attributes the user's own lines override."""
    top = top_level(repo)
    root = find_root(here.resolve()) or top
    tree = WorkingTree(root)
    policy = read_policy(tree.read(POLICY), POLICY)
    prefix = root.relative_to(top)
    images = [assignment.image for assignment in assignments(policy, tree)]
    wanted: dict[str, dict[str, str]] = {}
    for files, values in (
        (images, {"diff": "callint", "merge": "callint", "text": "unset"}),
        (policy.definitions, {"merge": "callint"}),
    ):
        for file in files[:_VERIFIED_IMAGES]:
            wanted.setdefault((prefix / file).as_posix(), values)
    return list(_foreign(repo, prefix, wanted))[:1]


def _foreign(repo: Repo, prefix: Path, wanted: dict[str, dict[str, str]]) -> Iterator[str]:
    """A sentence for each path from the top whose attributes are not the wanted ones."""
    names = {name for values in wanted.values() for name in values}
    for path, attributes in read_attributes(repo, wanted, *sorted(names)).items():
        values = {name: attributes[name] for name in wanted[path]}
        if set(values.values()) == {"unspecified"}:
            yield (
                f"{path}: no line of {(prefix / ATTRIBUTES).as_posix()} matches it, because in git ? and "
                f"[...] match one byte; use * in {POLICY} instead."
            )
            continue
        wrong = [f"{name}={value}" for name, value in values.items() if value != wanted[path][name]]
        if wrong:
            yield (
                f"{path}: git's attributes for it are {' '.join(wrong)}, by a line that is not callint "
                f"init's; remove it, or move it above the block in {(prefix / ATTRIBUTES).as_posix()}."
            )
