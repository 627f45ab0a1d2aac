"""From a repository's files and policy to settled findings."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache, cached_property, partial

import numpy as np

from callint import fmt
from callint.checking.apply_policy import PolicyApplier, order
from callint.checking.content import Judged, accepted_content
from callint.checking.definition_findings import definition_findings
from callint.decoding import checksums
from callint.decoding.digest import ContentDigest, base_digest
from callint.model.definition import Identity, Memory
from callint.model.finding import Finding
from callint.model.image import Image
from callint.model.policy import Policy, Waiver
from callint.reading.definition_cache import open_definition
from callint.reading.definition_file import DefinitionFile
from callint.reading.globs import matches
from callint.reading.images import Damage, DamagedError, ImageFile, read_image, read_image_file
from callint.reading.tree import Tree, reason
from callint.rules.context import CheckContext, LoadedDefinition
from callint.rules.image import as_text
from callint.rules.registry import in_scope
from callint.rules.rule import Rule, Scope
from callint.rules.second_person import AuthorshipCheck, NoAuthorship, WaiverObjection, needs_second_person


@dataclass(frozen=True, slots=True)
class Assignment:
    """An image with the definitions and bases that it may belong to.

    ``start`` is where its bytes begin, and those of its bases, if they are raw files of part of the memory.
    """

    image: str
    definitions: tuple[str, ...]
    bases: tuple[str, ...]
    start: int | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """Settled findings in order, and how much was looked at.

    ``files`` are the images and definitions that were looked at, ``policy`` is the policy's path. Where only
    what is new counts, ``known`` are the findings that an earlier state had too, and ``commit`` is the one
    commit that was judged, if it was one.
    """

    findings: tuple[Finding, ...]
    images: int
    tables: int
    cells: int
    files: tuple[str, ...] = ()
    policy: str = ""
    known: tuple[Finding, ...] | None = None
    commit: str = ""


def merge_reports(reports: Sequence[Report]) -> Report:
    """Several reports as one, in order."""
    if len(reports) == 1:
        return reports[0]
    return Report(
        findings=tuple(finding for report in reports for finding in report.findings),
        images=sum(report.images for report in reports),
        tables=sum(report.tables for report in reports),
        cells=sum(report.cells for report in reports),
        files=tuple(dict.fromkeys(path for report in reports for path in report.files)),
        policy=next((report.policy for report in reports), ""),
    )


@dataclass(frozen=True, slots=True)
class DefinitionResult:
    """A definition file that was asked for; ``subject`` is None where it gives no definition."""

    file: DefinitionFile
    subject: LoadedDefinition | None


def assignment(policy: Policy, image: str) -> Assignment | None:
    """What the policy says about an image; the first entry that matches counts."""
    for entry in policy.images:
        if any(matches(image, glob) for glob in entry.paths):
            return Assignment(image, entry.definitions, entry.bases, entry.start)
    return None


def assignment_of_named(policy: Policy, image: str) -> Assignment | None:
    """As ``assignment``, for an image that the user names: a base has its definition too, and no base."""
    found = assignment(policy, image)
    if found is None:
        for entry in policy.images:
            if image in entry.bases:
                return Assignment(image, entry.definitions, (), entry.start)
    return found


def assignments(policy: Policy, tree: Tree) -> list[Assignment]:
    """Every image of the tree that the policy names."""
    if not policy.images:
        return []
    found = (assignment(policy, path) for path in tree.paths())
    return [one for one in found if one is not None]


@dataclass(frozen=True, slots=True)
class ImageResult:
    """What the rules found in one image, before the policy settles it.

    ``digests`` are those of what findings are about, by rule, table and other table, where a waiver might
    accept them. ``definition`` is the path of the definition, "" where there is none; ``rules`` were run.
    """

    assignment: Assignment
    definition: str = ""
    rules: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    digests: Mapping[tuple[str, str, str], ContentDigest | None] = field(default_factory=dict)
    tables: int = 0
    cells: int = 0


@dataclass(frozen=True, slots=True)
class CachedBase:
    """A base, None where it cannot be read; ``trouble`` says why, or what makes it a doubtful one."""

    image: Image | None
    trouble: str


#: Finds what there is in images, in their order.
Find = Callable[[Sequence[Assignment]], Iterable[ImageResult]]

#: Bases of so many bytes are kept for the next image.
_KEPT_BYTES = 2**26

#: So many definitions are kept beside those that an inspector needs: a range of revisions has as many of one
#: file as somebody changed it.
_KEPT = 8


class Definitions:
    """Definition files by path and content, which are read once though they lie in several trees."""

    def __init__(self) -> None:
        self._loaded: dict[tuple[str, bytes], DefinitionResult] = {}

    def load(self, data: bytes, path: str) -> DefinitionResult:
        """What the file holds that has these bytes."""
        key = path, hashlib.sha256(data).digest()
        found = self._loaded.pop(key, None)
        if found is None:
            file = open_definition(data, path)
            found = DefinitionResult(
                file, LoadedDefinition(file, file.definition) if file.definition else None
            )
        self._loaded[key] = found
        if len(self._loaded) > _KEPT:
            del self._loaded[next(iter(self._loaded))]
        return found


class Checker:
    """Checks images of one tree by one policy; reads every definition and base once."""

    def __init__(
        self,
        tree: Tree,
        policy: Policy,
        today: date,
        independence: Callable[[], AuthorshipCheck] = NoAuthorship,
        definitions: Definitions | None = None,
        is_compared: bool = False,
    ) -> None:
        """``independence`` is called where the policy asks for a second person and a waiver must be one's.

        ``definitions`` are those that are read already; inspectors of several trees share them.
        ``is_compared`` says that the findings will be compared with those of another state, so that each
        gets the digest of what it was judged on.
        """
        self.tree = tree
        self.judge = PolicyApplier(policy, today)
        self._independence = cache(independence)
        self.is_compared = is_compared
        self._known = definitions or Definitions()
        self._definitions: dict[str, DefinitionResult] = {}
        self._bases: dict[tuple[str, int, int, int | None], CachedBase] = {}
        self._base_cases: dict[str, CheckContext | None] = {}
        self._images = self._tables = self._cells = 0

    def report(
        self,
        images: Iterable[Assignment],
        definitions: Iterable[str] = (),
        whole: bool = False,
        step: Callable[[str], None] = lambda path: None,
        find: Find | None = None,
        bases: Callable[[Checker], Iterable[Finding]] | None = None,
    ) -> Report:
        """Check the images and their definitions, and the definitions named besides.

        ``whole`` says that this is everything the policy names, so that a waiver without an image must
        have met its finding. ``step`` is called with each image's path when it is done. ``find`` is who looks
        at the images, if it is not the inspector itself. ``bases`` gives the findings about bases that are
        not those of an earlier state, where there is one.
        """
        findings: list[Finding] = []
        images = list(images)
        # Values from strangers' images may be infinite or no numbers; the rules look at what comes of it.
        with np.errstate(all="ignore"):
            for found in find(images) if find else map(self.find, images):
                findings += self.settled(found)
                step(found.assignment.image)
            if bases is not None:
                findings += bases(self)
            elif whole:
                for path in self.judge.policy.bases:
                    self.meet_base(path)
            for path in definitions:
                self.load(path)
            for path, loaded in self._definitions.items():
                findings += self.check_definition(path, loaded)
        if whole:
            self.judge.mark_complete(one.image for one in images)
        if whole and all(loaded.subject for loaded in self._definitions.values()):
            self.judge.mark_checked("", (rule.id for rule in in_scope(Scope.DEFINITION)))
        waiver_usage = self.judge.waiver_usage()
        for rule in in_scope(Scope.POLICY):
            found_in_policy = (replace(one, content=one.message) for one in rule.check(waiver_usage))
            findings += self.judge.settle(found_in_policy, lambda finding: None)
        files = dict.fromkeys([*(one.image for one in images), *self._definitions])
        return Report(
            findings=tuple(order(findings)),
            images=self._images,
            tables=self._tables,
            cells=self._cells,
            files=tuple(files),
            policy=self.judge.policy.path,
        )

    # Definitions

    def load(self, path: str) -> DefinitionResult:
        """The definition at a path, read once."""
        if path not in self._definitions:
            try:
                self._definitions[path] = self._known.load(self.tree.read(path), path)
            except OSError as error:
                problem = f"the definition cannot be read: {reason(error)}"
                hint = "Correct the path in the policy."
                finding = Finding(rule="definition/invalid", subject=problem, message=problem, hint=hint)
                self._definitions[path] = DefinitionResult(DefinitionFile(path, None, (finding,)), None)
        return self._definitions[path]

    def check_definition(self, path: str, loaded: DefinitionResult) -> Iterator[Finding]:
        """The findings about a definition file itself."""
        if loaded.subject is None:
            # What cannot be read may hold anything, so that it has no content to be known by.
            return self.judge.settle(loaded.file.problems, lambda finding: None, definition=path)
        case = CheckContext(loaded.subject)
        found: Iterable[Finding] = definition_findings(loaded.subject)
        if self.is_compared:
            found = (replace(one, content=_without_lines(one.message)) for one in found)
        accepted, doubting = partial(accepted_content, case), partial(self.doubt, case)
        return self.judge.settle(found, accepted, definition=path, doubting=doubting)

    # Images

    def check_image(self, one: Assignment) -> Iterator[Finding]:
        """The findings about one image as the policy has them."""
        return self.settled(self.find(one))

    def find(self, one: Assignment) -> ImageResult:
        """What the rules find in one image."""
        case = self._opened(one)
        if case is None:
            return ImageResult(one)  # the definition's own findings say why
        rules = _applicable(case)
        tables = cells = 0
        if any(rule.scope is Scope.IMAGE for rule in rules):
            layout = case.layout
            tables = len(layout.table_items)
            cells = int(layout.shapes.prod(axis=1)[list(layout.table_items.values())].sum())
        findings = tuple(_located(case, finding) for rule in rules for finding in rule.check(case))
        digests = {
            _content_key(finding): accepted_content(case, replace(finding, image=one.image))
            for finding in findings
            if (finding.rule, finding.table) in self._waived
        }
        if self.is_compared:
            judged = Judged(case)
            findings = tuple(replace(finding, content=judged.content(finding)) for finding in findings)
        names = tuple(rule.id for rule in rules)
        return ImageResult(one, case.file.path, names, findings, digests, tables, cells)

    def settled(self, found: ImageResult) -> Iterator[Finding]:
        """The findings about one image as the policy has them."""
        one = found.assignment
        self._images += 1
        self._tables += found.tables
        self._cells += found.cells
        for path in one.definitions:
            self.load(path)
        self.judge.mark_checked(one.image, found.rules)

        def doubting(finding: Finding, waiver: Waiver) -> WaiverObjection | None:
            case = self._opened(one) if self.judge.policy.second_person else None
            return None if case is None else self.doubt(case, finding, waiver)

        return self.judge.settle(
            found.findings,
            lambda finding: found.digests[_content_key(finding)],
            image=one.image,
            definition=found.definition,
            doubting=doubting,
        )

    @cached_property
    def _waived(self) -> frozenset[tuple[str, str]]:
        """The rules and tables of which the policy accepts something."""
        return frozenset((waiver.rule, waiver.table) for waiver in self.judge.policy.waivers)

    def case_of(self, finding: Finding) -> CheckContext | None:
        """The case that a finding of this inspection is about; None for one about no content."""
        if not finding.image:
            loaded = self._definitions.get(finding.definition)
            return CheckContext(loaded.subject) if loaded and loaded.subject else None
        if finding.image in self._base_cases:
            return self._base_cases[finding.image]
        one = assignment(self.judge.policy, finding.image)
        return None if one is None else self._opened(one)

    def case(self, one: Assignment) -> CheckContext | None:
        """An image with its definition and base; None where there is no definition."""
        return self._opened(one)

    def settle_base(
        self, path: str, case: CheckContext | None, findings: Iterable[Finding]
    ) -> Iterator[Finding]:
        """Findings about a changed base as the policy has them; each of them is new."""
        self._base_cases[path] = case
        current = base_digest(case.image) if case is not None and case.image is not None else None
        self.judge.meet_base(path, current)

        def doubting(finding: Finding, waiver: Waiver) -> WaiverObjection | None:
            return None if case is None else self.doubt(case, finding, waiver)

        definition = "" if case is None else case.file.path
        located = (replace(finding, content=f"{current} {finding.message}") for finding in findings)
        return self.judge.settle(
            located, lambda finding: current, image=path, definition=definition, doubting=doubting
        )

    def meet_base(self, path: str) -> None:
        """Judge the waivers of a base that did not change: they stay as a record of what was accepted."""
        waivers = self.judge.policy.waivers
        if not any(waiver.rule == "base/changed" and waiver.image == path for waiver in waivers):
            return
        entry = next(entry for entry in self.judge.policy.images if path in entry.bases)
        loaded = (self.load(definition).subject for definition in entry.definitions)
        subject = next((subject for subject in loaded if subject is not None), None)
        memory = subject.definition.memory if subject is not None else None
        image = self._read_base(path, memory, entry.start).image if memory is not None else None
        self.judge.meet_base(path, base_digest(image) if image is not None else None)

    def doubt(self, case: CheckContext, finding: Finding, waiver: Waiver) -> WaiverObjection | None:
        """What speaks against a waiver of a finding, where the policy asks for a second person."""
        if not self.judge.policy.second_person or not needs_second_person(finding, case.definition):
            return None
        return self._independence().doubt(waiver, finding, case)

    def _opened(self, one: Assignment) -> CheckContext | None:
        """An image with its definition and base; None where there is no definition."""
        try:
            data: bytes | None = self.tree.read(one.image)
            trouble = ""
        except OSError as error:
            data, trouble = None, reason(error)
        subject = self.subject(one, data)
        return None if subject is None else self._case(subject, one, data, trouble)

    def subject(self, one: Assignment, data: bytes | None) -> LoadedDefinition | None:
        """The first definition whose identity the image carries; the first one at all where none fits."""
        loaded = [self.load(path).subject for path in one.definitions]
        subjects = [subject for subject in loaded if subject is not None]
        for subject in subjects if data is not None and len(one.definitions) > 1 else ():
            memory = subject.definition.memory
            if not is_foreign(data or b"", memory, one.start):
                return subject
        return subjects[0] if subjects else None

    def base_of(self, subject: LoadedDefinition, one: Assignment, image: Image) -> tuple[str, Image | None]:
        """The base that an image is compared with, and its path; None where there is none of use."""
        path, base, _ = self._base(subject, one, image)
        return path, base

    def _case(
        self, subject: LoadedDefinition, one: Assignment, data: bytes | None, trouble: str
    ) -> CheckContext:
        memory = subject.definition.memory
        file: ImageFile | None = None
        damages: tuple[Damage, ...] = ()
        if data is not None:
            try:
                file = read_image_file(data, memory, one.start)
            except DamagedError as error:
                damages = error.damages
        image = file.image if file else None
        base_path, base, base_trouble = self._base(subject, one, image)
        is_raw = file is not None and file.records is None
        return CheckContext(
            subject, image, base, trouble, base_trouble, base_path, damages, one.start, is_raw
        )

    def _base(
        self, subject: LoadedDefinition, one: Assignment, image: Image | None
    ) -> tuple[str, Image | None, str]:
        """The base to compare with: its path, its image if there is one, and what is wrong with it."""
        memory = subject.definition.memory
        # An image of other software is said to be one; that none of several bases is its own follows.
        is_stray = len(one.bases) > 1 and image is not None and bool(foreign_identity(image, memory))
        troubles: list[str] = []
        unread: list[str] = []
        for path in one.bases:
            found = self._read_base(path, memory, one.start)
            base = found.image
            if base is None:
                troubles.append(found.trouble)
                unread.append(found.trouble)
            elif not base.size:
                troubles.append(f"the base {path} is empty")
            elif words := foreign_identity(base, memory):
                if not is_stray:
                    troubles.append(f"the base {path} is of other software: {words}")
            elif len(one.bases) == 1 or image is None or same_identity(base, image, memory.identities):
                trouble = _shortfall(path, base, image, memory) or found.trouble
                # One that cannot be read may be the image's own: another does not stand in for it silently.
                return path, base, trouble or "; ".join(unread)
            elif not is_stray:
                troubles.append(f"the base {path} has another identity than the image")
        return "", None, "; ".join(troubles)

    def _read_base(self, path: str, memory: Memory, start: int | None) -> CachedBase:
        """A base, or why there is none; kept, so that its images are compared with one decoded copy."""
        key = path, memory.start, memory.size, start
        found = self._bases.pop(key, None)
        if found is None:
            try:
                image = read_image(self.tree.read(path), memory, start)
                found = CachedBase(image, _staleness(path, image, memory))
            except OSError as error:
                found = CachedBase(None, f"the base {path} cannot be read: {reason(error)}")
            except DamagedError as error:
                found = CachedBase(None, f"the base {path} is damaged: {error}")
        self._bases[key] = found
        while len(self._bases) > 1 and self._kept_bytes() > _KEPT_BYTES:
            del self._bases[next(iter(self._bases))]
        return found

    def _kept_bytes(self) -> int:
        return sum(base.image.size for base in self._bases.values() if base.image)


def _without_lines(message: str) -> str:
    """A message about a definition without line numbers, which any edit above moves."""
    return re.sub(r"\bline \d+", "line", message)


def _content_key(finding: Finding) -> tuple[str, str, str]:
    """What the content is told by that a finding is about; a rule says more than is needed."""
    return finding.rule, finding.table, finding.other


def _located(case: CheckContext, finding: Finding) -> Finding:
    """The finding with the place of its bytes in the image's file, if that is raw."""
    if finding.offset is not None or finding.address is None or finding.size is None:
        return finding
    offset = case.offset(finding.address, finding.size)
    return finding if offset is None else replace(finding, offset=offset)


def _applicable(case: CheckContext) -> list[Rule]:
    """The rules for an image: only those about the file where it is none of the definition's software."""
    rules = in_scope(Scope.FILE)
    memory = case.definition.memory
    if case.image is None or foreign_identity(case.image, memory) or not held_bytes(case.image, memory):
        return rules
    rules += in_scope(Scope.IMAGE)
    if case.base is not None:
        rules += in_scope(Scope.CHANGE)
    return rules


def _shortfall(path: str, base: Image, image: Image | None, memory: Memory) -> str:
    """In what a base does not look like a factory image, or not like that of an image; "" if in nothing."""
    if base.is_part:
        lacking = sum(end - start - base.amount(start, end) for start, end in image.extents) if image else 0
        if lacking:
            return f"the base {path} lacks {fmt.count(lacking, 'byte')} of the image: they cannot be compared"
    elif base.size != memory.size:
        return (
            f"the base {path} has {base.size:,} bytes where the memory has {memory.size:,}: "
            "what it lacks cannot be compared"
        )
    return ""


def _staleness(path: str, base: Image, memory: Memory) -> str:
    """Which checksum of a base is stale, in words; "" where none is."""
    for checksum in memory.checksums:
        stored = checksums.stored_value(checksum, base) if checksums.is_known(checksum.algorithm) else None
        value = None if stored is None else checksums.expected_value(checksum, base)
        if value is not None and stored != value:
            return f"the base {path} has a stale checksum {checksum.name}: a factory image has none"
    return ""


def same_identity(one: Image, other: Image, identities: Iterable[Identity]) -> bool:
    """Whether two images carry the same bytes where the definition has its identities."""
    return all(one.read(i.at, len(i.content)) == other.read(i.at, len(i.content)) for i in identities)


def held_bytes(image: Image, memory: Memory) -> int:
    """How many bytes of the memory an image holds."""
    return image.amount(memory.start, memory.end)


def is_foreign(data: bytes, memory: Memory, start: int | None) -> bool:
    """Whether a file holds an image of other software; one that cannot be read may be of any."""
    try:
        return bool(foreign_identity(read_image(data, memory, start), memory))
    except DamagedError:
        return False


def foreign_identity(image: Image, memory: Memory) -> str:
    """In what an image differs from the software that the memory describes; "" if in nothing."""
    for identity in memory.identities:
        content = image.read(identity.at, len(identity.content))
        if content is not None and content != identity.content:
            return f"its {identity.name} is {as_text(content)}, not {as_text(identity.content)}"
    return ""
