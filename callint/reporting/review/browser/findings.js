// The findings of all images, with links to their cells.

const mostOpenFindings = 100;
/** The largest number of tables on an axis that are named with a finding. */
const mostTablesOnAxis = 6;

/** The mistakes of the document, in its order. */
const causes = review.causes ?? [];

/**
 * What the reader goes through: each mistake, then each finding that belongs to none. A mistake stands for its
 * findings.
 */
const stops = [
  ...causes.map(({ findings }) => findings),
  ...findingsInOrder.filter(({ cause }) => cause === undefined).map(({ id }) => [id]),
];

/** A finding as a list item; in a section, its place is a link to the cell. */
function drawFinding(finding, section) {
  const parts = [badge(finding.severity, finding.waiver), " ", drawPlace(finding, section)];
  const tags = [];
  if (finding.waiver) tags.push("waived");
  if (finding.inherited) tags.push("the base has it too");
  else if (finding.state === "known") tags.push("not new");
  const message = make("p", { class: "message" }, `${sentence(finding.message)}`, ...tags.map((tag) =>
    make("span", { class: "tag" }, tag)));
  const more = finding.more ? make("p", {}, `${count(finding.more, "finding")} more like this.`) : undefined;
  const isSaid = !section && causes[finding.cause]?.hint === finding.hint;
  const advice = finding.waiver ? waiverText(finding.waiver) : isSaid ? undefined : finding.hint;
  const rule = make("p", { class: "rule" }, make("code", { title: review.rules[finding.rule] }, finding.rule),
    ` ${review.rules[finding.rule] ?? ""} `, make("code", { class: "print" }, finding.fingerprint.slice(0, 8)));
  const placed = section || sectionOf(finding) ? " placed" : "";
  return make("li", { class: (finding.waiver ? "accepted" : finding.severity) + placed }, make("p", { class: "place" }, ...parts), message,
    drawTablesOn(finding, section),
    advice ? make("p", { class: "hint" }, advice) : undefined, more, rule);
}

function sentence(text) {
  return /[.!?]$/.test(text) ? text : `${text}.`;
}

function waiverText({ who, reason, until }) {
  return `Waived by ${who}${until ? ` until ${until}` : ""}: ${reason}`;
}

function drawPlace(finding, section) {
  const labels = [];
  const image = review.images.find(({ id }) => id === finding.image);
  if (!section) {
    if (finding.image === undefined) labels.push(`${finding.source ?? ""}${finding.line ? ` line ${finding.line}` : ""}`);
    else if (hasSeveralImages) labels.push(image.path);
    const target = sectionOf(finding);
    if (finding.table && !isOnAxis(finding)) labels.push(target ? target.table.title : finding.table);
  }
  if (isOnAxis(finding)) labels.push(`Axis ${finding.table}`);
  if (finding.place) labels.push(finding.place);
  else if (finding.address) labels.push(finding.address);
  const text = labels.filter(Boolean).join(", ") || (section ? "This table" : "This image");
  if (!sectionOf(finding)) return make("span", {}, text);
  return make("a", {
    href: `#finding-${finding.id}`,
    onclick: (event) => {
      event.preventDefault();
      showFinding(finding.id, section);
    },
  }, text);
}

/** Whether a finding is about an axis of changed tables. */
function isOnAxis(finding) {
  const concernedTables = tablesOf.get(finding);
  return concernedTables.length > 0 && concernedTables.every(({ data }) => data.name !== finding.table);
}

/** Links to the changed tables on the axis that a finding is about, except the table of its section. */
function drawTablesOn(finding, section) {
  const otherTables = isOnAxis(finding) ? tablesOf.get(finding).filter((table) => table !== section?.table) : [];
  if (!otherTables.length) return undefined;
  const links = otherTables.slice(0, mostTablesOnAxis).flatMap((table, n) => [n ? ", " : "", make("a", {
    href: `#${table.key}`,
    onclick: (event) => {
      event.preventDefault();
      if (table.section.article.hidden) clearFilter();
      table.section.show();
    },
  }, table.title)]);
  const more = otherTables.length - mostTablesOnAxis;
  return make("p", { class: "on-axis" }, section ? "Also on this axis: " : "Changed tables on it: ", ...links,
    more > 0 ? ` and ${count(more, "more table")}` : "", ".");
}

/** The section of the table that a finding is about, or of the first one on its axis. */
function sectionOf(finding) {
  const concernedTables = tablesOf.get(finding);
  const table = concernedTables.find(({ data }) => data.name === finding.table) ?? concernedTables[0];
  return table?.section;
}

/** Goes to a finding's cell, table or list item, and puts its link into the page's address. */
function showFinding(id, within) {
  const finding = review.findings[id];
  if (!finding) return false;
  pageState.finding = id;
  const section = within ?? sectionOf(finding);
  if (section) {
    if (section.article.hidden) clearFilter();
    const own = section.table.data.name === finding.table;
    const cell = own && finding.cell ? section.table.cell(...finding.cell) : undefined;
    if (section !== within) section.show({ focus: cell === undefined, link: false });
    if (cell !== undefined) section.choose(cell, { focus: true, link: false });
  } else {
    const item = pageState.findingItems[id];
    item.closest("details")?.setAttribute("open", "");
    item.hidden = false;
    item.tabIndex = -1;
    item.scrollIntoView({ block: "center" });
    item.focus({ preventScroll: true });
  }
  setLink(`finding-${id}`);
  return true;
}

/** A mistake as a list item: what changed, what to do first, and folded below it what it brings. */
function drawCause(cause) {
  const [first] = cause.findings;
  const image = review.images.find(({ id }) => id === cause.image);
  const place = image === undefined ? cause.source : hasSeveralImages ? image.path : "";
  const title = make("a", {
    href: `#finding-${first}`,
    onclick: (event) => {
      event.preventDefault();
      showFinding(first);
    },
  }, `${place ? `${place}: ` : ""}${cause.title}`);
  const danger = cause.danger ? make("strong", {}, `${cause.danger[0].toUpperCase()}${cause.danger.slice(1)}: `) : "";
  const amount = cause.findings.reduce((sum, id) => sum + 1 + (review.findings[id].more ?? 0), 0);
  return make("li", { class: `cause ${cause.severity}`, id: `cause-${cause.id}` },
    make("p", { class: "place" }, badge(cause.severity), " ", danger, title),
    cause.effect ? make("p", {}, cause.effect) : undefined,
    cause.hint ? make("p", { class: "hint" }, cause.hint) : undefined,
    make("details", {}, make("summary", {}, `It brings ${count(amount, "finding")}`),
      make("ul", { class: "brought" }, ...cause.findings.map((id) => pageState.findingItems[id]))));
}

/** Draws all mistakes and the findings that belong to none, the worst first; waived ones are folded. */
function drawFindings() {
  const heading = make("h2", { id: uniqueId("findings") }, causes.length ? "Mistakes and findings" : "Findings");
  const holder = document.querySelector("main > .findings");
  pageState.findingItems = review.findings.map((finding) => drawFinding(finding));
  const others = findingsInOrder.filter(({ waiver, cause }) => !waiver && cause === undefined);
  const open = [...causes.map(drawCause), ...others.map(({ id }) => pageState.findingItems[id])];
  const waived = findingsInOrder.filter(({ waiver }) => waiver).map(({ id }) => pageState.findingItems[id]);
  const section = make("section", { "aria-labelledby": heading.id }, heading);
  const placed = pageState.findingItems.filter((item) => item.classList.contains("placed")).length;
  if (placed) section.append(make("p", { class: "with-tables" }, `${count(placed, "finding")} with the tables below.`));
  if (open.length) section.append(make("ul", { class: "all" }, ...open));
  else section.append(make("p", {}, waived.length ? "Every finding is waived." : "Nothing was found."));
  if (open.length > mostOpenFindings) {
    for (const item of open.slice(mostOpenFindings)) item.hidden = true;
    const button = make("button", {
      type: "button",
      onclick: () => {
        for (const item of open) item.hidden = false;
        button.remove();
      },
    }, `Show ${count(open.length - mostOpenFindings, "more finding")}`);
    section.append(button);
  }
  if (waived.length) {
    const summary = make("summary", {}, `${count(waived.length, "finding")} waived`);
    section.append(make("details", {}, summary, make("ul", { class: "all" }, ...waived)));
  }
  holder.replaceWith(section);
  section.className = "findings";
  section.id = "~findings";
}
