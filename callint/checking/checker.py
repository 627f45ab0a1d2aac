"""Runs the rules on the files of a tree, and makes one report of their findings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date
from functools import cached_property

from callint.checking.apply_policy import is_refused, refuses_invalid_definitions
from callint.checking.assignments import Assignment
from callint.checking.cause_order import sort_findings
from callint.checking.definition_findings import definition_findings
from callint.checking.float_errors import ignore_float_errors
from callint.checking.image_findings import FOR_READERS, FindingDetails, ImageResult, find_in_image
from callint.checking.loading import DefinitionResult, Definitions, ImageLoader
from callint.checking.report import Report
from callint.checking.settler import FindingSettler, without_line_numbers
from callint.model import rule_ids
from callint.model.finding import Finding
from callint.model.policy import Policy
from callint.reading.tree import Tree
from callint.rules.second_person import AuthorshipCheck, NoAuthorship

#: Gives the results of images, in their order.
Find = Callable[[Sequence[Assignment]], Iterable[ImageResult]]

#: The finding about an image of which no definition can be read.
_UNDEFINED = Finding(
    rule=rule_ids.IMAGE_UNREADABLE,
    subject="definition",
    message="the image cannot be checked: its definition cannot be read",
    hint="Correct the definition.",
)


class Checker:
    """Checks images of one tree by one policy."""

    def __init__(
        self,
        tree: Tree,
        policy: Policy,
        today: date,
        authorship: Callable[[], AuthorshipCheck] = NoAuthorship,
        definitions: Definitions | None = None,
        details: FindingDetails = FOR_READERS,
    ) -> None:
        """``authorship`` is called only if the policy demands that a second person writes a waiver.

        ``definitions`` were read already; checkers of several trees share them.
        """
        self.policy = policy
        self.loader = ImageLoader(tree, definitions)
        self.settler = FindingSettler(self.loader, policy, today, authorship)
        self._details = details
        self._images = self._tables = self._cells = 0

    @property
    def tree(self) -> Tree:
        return self.loader.tree

    @ignore_float_errors
    def report(
        self,
        images: Iterable[Assignment],
        definitions: Iterable[str] = (),
        whole: bool = False,
        step: Callable[[str], None] = lambda path: None,
        find: Find | None = None,
        further: Iterable[Callable[[Checker], Iterable[Finding]]] = (),
    ) -> Report:
        """Check the images with their definitions, and further definitions by their paths.

        ``whole`` says that this is everything the policy names: then a waiver that matches no finding is
        unused, whatever image it names. ``step`` is called with the path of each image when it is done.
        ``find`` checks the images elsewhere (default: here). ``further`` give more findings, such as those
        about bases that differ from an earlier state, or about files that the policy does not name.
        """
        images = list(images)
        findings: list[Finding] = []
        for result in find(images) if find else map(self.find, images):
            findings += self._settle(result)
            step(result.assignment.image)
        for find_more in further:
            findings += find_more(self)
        if whole:
            self.settler.judge_unchanged_bases()
        for path in definitions:
            self.loader.load(path)
        findings += self._check_definitions()
        if whole:
            self.settler.mark_complete(item.image for item in images)
        findings += self.settler.settle_waivers()
        if self._details.causes and findings:
            findings = self._with_own_causes(findings)
        causes = self.settler.causes
        return Report(
            findings=tuple(sort_findings(findings, causes)),
            images=self._images,
            tables=self._tables,
            cells=self._cells,
            files=tuple(dict.fromkeys([*(item.image for item in images), *self.loader.definitions])),
            policy=self.policy.path,
            causes=causes,
        )

    @ignore_float_errors
    def check_image(self, assigned: Assignment) -> list[Finding]:
        """The settled findings about one image, in the order of the rules."""
        return self._settle(self.find(assigned))

    @ignore_float_errors
    def find(self, assigned: Assignment) -> ImageResult:
        """The findings of the rules about one image. They depend on no other image."""
        context = self.loader.context(assigned)
        leaves_out = refuses_invalid_definitions(self.policy)
        if context is None:
            # The findings about the definition give the reason, if they fail the check.
            return ImageResult(assigned, findings=() if leaves_out else (_UNDEFINED,))
        context = replace(
            context,
            judges_all=not leaves_out,
            trusts_byte_order=not is_refused(self.policy, rule_ids.DEFINITION_CONTRADICTS_BASE),
        )
        return find_in_image(context, assigned, self._waived, self._details)

    def _settle(self, result: ImageResult) -> list[Finding]:
        """The settled findings about one image; counts the image."""
        self._images += 1
        self._tables += result.tables
        self._cells += result.cells
        for path in result.assignment.definitions:  # a worker may have read them; their findings belong here
            self.loader.load(path)
        return self.settler.settle_image(result)

    def _check_definitions(self) -> Iterator[Finding]:
        """The settled findings about all definition files.

        A finding that a child takes over from its parent counts once, if both are checked.
        """
        known: set[tuple[str, str, str, str]] = set()
        kept: list[list[Finding]] = []
        for path, definition in self.loader.definitions.items():
            findings = self._definition_findings(definition)
            kept.append(self.settler.settle_definition(path, definition, findings))
            known.update((path, finding.rule, finding.table, finding.subject) for finding in kept[-1])
        for settled in kept:
            for finding in settled:
                taken_over = finding.origin, finding.rule, finding.table, finding.subject
                if finding.waived or not finding.origin or taken_over not in known:
                    yield finding

    def _definition_findings(self, definition: DefinitionResult) -> Iterable[Finding]:
        """The findings about a definition file itself, before the policy settles them."""
        if definition.loaded is None:
            return definition.file.problems
        findings = definition_findings(definition.loaded)
        if not self._details.contents:
            return findings
        return (replace(finding, content=without_line_numbers(finding.message)) for finding in findings)

    def _with_own_causes(self, findings: Iterable[Finding]) -> list[Finding]:
        """The findings; each one without a cause becomes a cause of its own.

        A finding about a definition may name the rule and subject of another one, which is its cause.
        """
        from callint.checking.causes import own_cause

        complete, findings = [], list(findings)
        leading = {
            (finding.definition, f"{finding.rule} {finding.subject}"): finding
            for finding in findings
            if not (finding.cause or finding.image or finding.waived)
        }
        for finding in findings:
            if finding.cause in self.settler.causes:
                complete.append(finding)
                continue
            cause = own_cause(leading.get((finding.definition, finding.cause), finding), finding.image)
            if cause.id not in self.settler.causes:
                self.settler.add_causes({cause.id: cause})
            complete.append(replace(finding, cause=cause.id))
        return complete

    @cached_property
    def _waived(self) -> frozenset[tuple[str, str]]:
        """The rules and tables of the policy's waivers."""
        return frozenset((waiver.rule, waiver.table) for waiver in self.policy.waivers)
