// The findings of all images, with links to their cells.

const mostOpenFindings = 100;
/** The largest number of tables on an axis that are named with a finding. */
const mostTablesOnAxis = 6;

/** The mistakes of the document, in its order. */
const causes = review.causes ?? [];

/**
 * A finding as a list item. Its text stands in one place: with its table, on whose axis others may lie, or in the
 * list if it has none or is an entry there itself; in every other place, the item only leads to it.
 */
function drawFinding(finding, section, isEntry = false) {
  const home = sectionOf(finding);
  const hasText = section ? section === home : isEntry || !home;
  const tags = [];
  if (finding.waiver) tags.push("waived");
  if (finding.inherited) tags.push("the base has it too");
  else if (finding.state === "known") tags.push("not new");
  const parts = [badge(finding.severity, finding.waiver), " ", drawPlace(finding, section),
    ...tags.map((tag) => make("span", { class: "tag" }, tag))];
  const message = hasText ? make("p", { class: "message" }, sentence(finding.message)) : undefined;
  const more = finding.more ? make("p", {}, `${count(finding.more, "finding")} more like this.`) : undefined;
  const isSaid = !section && causes[finding.cause]?.hint === finding.hint;
  const advice = finding.waiver ? waiverText(finding.waiver) : isSaid ? undefined : finding.hint;
  const hasAdvice = hasText && advice && (section || !home);
  const elsewhere = section && !hasText ? make("p", {}, "Explained with ", make("a", { href: `#${home.table.key}` }, home.table.title), ".") : undefined;
  const rule = make("p", { class: "rule" }, make("code", { title: review.rules[finding.rule] }, finding.rule),
    ` ${review.rules[finding.rule] ?? ""} `, make("code", { class: "print" }, finding.fingerprint.slice(0, 8)));
  const placed = section || home ? " placed" : "";
  return make("li", { class: (finding.waiver ? "accepted" : finding.severity) + placed, "data-finding": finding.id },
    make("p", { class: "place" }, ...parts), message, drawTablesOn(finding, section),
    hasAdvice ? make("p", { class: "hint" }, advice) : undefined, more, elsewhere, rule);
}

/** Links from a cell to its findings, the text of which stands below its table. */
function drawFindingLinks(findings, section) {
  return make("p", { class: "finding" }, ...findings.flatMap((finding, index) => [index ? ", " : "",
    badge(finding.severity, finding.waiver), " ", make("a", {
      href: `#finding-${finding.id}`,
      onclick: (event) => {
        event.preventDefault();
        showText(finding, section);
      },
    }, make("code", { title: review.rules[finding.rule] }, finding.rule))]));
}

/** Goes from a cell to the text of its finding. */
function showText(finding, section) {
  const item = section.article.querySelector(`.own [data-finding="${finding.id}"]`);
  pageState.finding = finding.id;
  setLink(`finding-${finding.id}`);
  markFinding(finding.id);
  item.tabIndex = -1;
  item.scrollIntoView({ block: "center" });
  item.focus({ preventScroll: true });
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
      showFinding(finding.id, { within: section });
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
  const links = otherTables.slice(0, mostTablesOnAxis).flatMap((table, n) => [n ? ", " : "", make("a", { href: `#${table.key}` }, table.title)]);
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

/** Goes to a finding's cell, table or list item, marks it, and puts its link into the page's address. */
function showFinding(id, { within, link = true } = {}) {
  const finding = review.findings[id];
  if (!finding) return false;
  pageState.finding = id;
  if (link) setLink(`finding-${id}`);
  const section = within ?? sectionOf(finding);
  if (section) {
    reveal(section);
    const own = section.table.data.name === finding.table;
    const cell = own && finding.cell ? section.table.cell(...finding.cell) : undefined;
    if (section !== within) section.show({ focus: cell === undefined, link: false });
    if (cell !== undefined) section.choose(cell, { focus: true, link: false });
    markFinding(id);
    return true;
  }
  const entry = entryOf(id);
  if (!entry.isShown) {
    clearFilter({ isSamePlace: true });
    bar.say("The filter is cleared: it hid this.");
  }
  if (entry.item.hidden) showAllEntries();
  markFinding(id);
  const item = pageState.findingItems[id];
  item.closest("details")?.setAttribute("open", "");
  item.tabIndex = -1;
  item.scrollIntoView({ block: "center" });
  item.focus({ preventScroll: true });
  return true;
}

/** Marks a finding, and the mistake that it belongs to, wherever they are listed. */
function markFinding(id) {
  for (const item of document.querySelectorAll(".here")) {
    item.classList.remove("here");
    item.removeAttribute("aria-current");
  }
  const listed = [entryOf(id).item, ...document.querySelectorAll(`article.table [data-finding="${id}"]`)];
  for (const item of listed) {
    item.classList.add("here");
    item.setAttribute("aria-current", "true");
  }
}

/** The entry of the list that a finding is, or belongs to. */
function entryOf(id) {
  return Object.values(filter.entries).flat().find(({ findings }) => findings.includes(id));
}

/** A mistake as a list item: what changed, what to do first, and folded below it what it brings. */
function drawCause(cause) {
  const [first] = cause.findings;
  const image = review.images.find(({ id }) => id === cause.image);
  const place = image === undefined ? cause.source : hasSeveralImages ? image.path : "";
  const title = make("a", { href: `#finding-${first}` }, `${place ? `${place}: ` : ""}${cause.title}`);
  const danger = cause.danger ? make("strong", {}, `${cause.danger[0].toUpperCase()}${cause.danger.slice(1)}: `) : "";
  const summary = make("summary", {});
  const item = make("li", { class: `cause ${cause.severity}`, id: `cause-${cause.id}` },
    make("p", { class: "place" }, badge(cause.severity), " ", danger, title),
    cause.effect ? make("p", {}, cause.effect) : undefined,
    cause.hint ? make("p", { class: "hint" }, cause.hint) : undefined,
    make("details", {}, summary, make("ul", { class: "brought" }, ...cause.findings.map((id) => pageState.findingItems[id]))));
  return { item, summary, findings: cause.findings, title: cause.title };
}

/** Shows those findings of a mistake that match the filter, and how many they are. */
function showBrought({ summary, findings }, matching) {
  const amount = amountOf(findings);
  const left = matching.length < findings.length ? `, ${amountOf(matching).toLocaleString("en")} shown` : "";
  const text = `It brings ${count(amount, "finding")}${left}`;
  if (summary.textContent === text) return;
  summary.textContent = text;
  for (const id of findings) pageState.findingItems[id].hidden = !matching.includes(id);
}

function drawEntry({ id, message }) {
  return { item: pageState.findingItems[id], findings: [id], title: message };
}

/** Shows the entries that are too many to be shown at once. */
function showAllEntries() {
  filter.areAllOpen = true;
  applyFilter();
}

/** Draws all mistakes and the findings that belong to none, the worst first; waived ones are folded. */
function drawFindings() {
  const heading = make("h2", { id: uniqueId("findings") }, causes.length ? "Mistakes and findings" : "Findings");
  const holder = document.querySelector("main > .findings");
  pageState.findingItems = review.findings.map((finding) =>
    drawFinding(finding, undefined, finding.cause === undefined && !finding.waiver));
  const others = findingsInOrder.filter(({ waiver, cause }) => !waiver && cause === undefined);
  const waived = findingsInOrder.filter(({ waiver }) => waiver);
  filter.original = { mistake: causes.map(drawCause), finding: others.map(drawEntry), waived: waived.map(drawEntry) };
  filter.entries = { ...filter.original };
  const section = make("section", { "aria-labelledby": heading.id }, heading);
  const placed = pageState.findingItems.filter((item) => item.classList.contains("placed")).length;
  if (placed) section.append(make("p", { class: "with-tables" }, `${count(placed, "finding")} with the tables below.`));
  const open = [...filter.original.mistake, ...filter.original.finding].map(({ item }) => item);
  filter.holder = make("ul", { class: "all" }, ...open);
  filter.none = make("p", { class: "nothing", hidden: true }, "No mistake or finding matches the filter.");
  if (open.length) section.append(filter.holder, filter.none);
  else section.append(make("p", {}, waived.length ? "Every finding is waived." : "Nothing was found."));
  if (open.length > mostOpenFindings) {
    filter.more = make("button", { type: "button", onclick: showAllEntries });
    section.append(filter.more);
  }
  if (waived.length) {
    const summary = make("summary", {}, `${count(waived.length, "finding")} waived`);
    filter.waived = make("details", {}, summary, make("ul", { class: "all" }, ...filter.original.waived.map(({ item }) => item)));
    section.append(filter.waived);
  }
  holder.replaceWith(section);
  section.className = "findings";
  section.id = "~findings";
  filter.noTable = make("p", { class: "nothing", hidden: true }, "No table matches the filter.");
  section.after(filter.noTable);
}
