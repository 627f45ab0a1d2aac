// The findings of all images, and the way from each to its cell.

const worstFirst = 100;
/** So many tables on an axis are named with a finding. */
const mostOnAxis = 6;

/** A finding in words; with its section known, its place leads to the cell. */
function drawFinding(finding, section) {
  const parts = [badge(finding.severity, finding.waiver), " ", drawPlace(finding, section)];
  const tags = [];
  if (finding.waiver) tags.push("waived");
  if (finding.inherited) tags.push("the base has it too");
  else if (finding.state === "known") tags.push("not new");
  const message = make("p", { class: "message" }, `${sentence(finding.message)}`, ...tags.map((tag) =>
    make("span", { class: "tag" }, tag)));
  const more = finding.more ? make("p", {}, `${count(finding.more, "finding")} more like this.`) : undefined;
  const advice = finding.waiver ? waiverWords(finding.waiver) : finding.hint;
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

function waiverWords({ who, reason, until }) {
  return `Waived by ${who}${until ? ` until ${until}` : ""}: ${reason}`;
}

function drawPlace(finding, section) {
  const words = [];
  const image = review.images.find(({ id }) => id === finding.image);
  if (!section) {
    if (finding.image === undefined) words.push(`${finding.source ?? ""}${finding.line ? ` line ${finding.line}` : ""}`);
    else if (several) words.push(image.path);
    const target = sectionOf(finding);
    if (finding.table && !isOnAxis(finding)) words.push(target ? target.table.title : finding.table);
  }
  if (isOnAxis(finding)) words.push(`Axis ${finding.table}`);
  if (finding.place) words.push(finding.place);
  else if (finding.address) words.push(finding.address);
  const text = words.filter(Boolean).join(", ") || (section ? "This table" : "This image");
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
  const concerned = tablesOf.get(finding);
  return concerned.length > 0 && concerned.every(({ data }) => data.name !== finding.table);
}

/** The ways to the changed tables on the axis that a finding is about, without the one that it stands with. */
function drawTablesOn(finding, section) {
  const others = isOnAxis(finding) ? tablesOf.get(finding).filter((table) => table !== section?.table) : [];
  if (!others.length) return undefined;
  const links = others.slice(0, mostOnAxis).flatMap((table, n) => [n ? ", " : "", make("a", {
    href: `#${table.key}`,
    onclick: (event) => {
      event.preventDefault();
      if (table.section.article.hidden) clearFilter();
      table.section.show();
    },
  }, table.title)]);
  const more = others.length - mostOnAxis;
  return make("p", { class: "on-axis" }, section ? "Also on this axis: " : "Changed tables on it: ", ...links,
    more > 0 ? ` and ${count(more, "more table")}` : "", ".");
}

/** The section of the table that a finding is about, or of the first one on its axis. */
function sectionOf(finding) {
  const concerned = tablesOf.get(finding);
  const table = concerned.find(({ data }) => data.name === finding.table) ?? concerned[0];
  return table?.section;
}

/** Leads to a finding's cell, table or words, and makes its link the page's. */
function showFinding(id, within) {
  const finding = review.findings[id];
  if (!finding) return false;
  desk.finding = id;
  const section = within ?? sectionOf(finding);
  if (section) {
    if (section.article.hidden) clearFilter();
    const own = section.table.data.name === finding.table;
    const cell = own && finding.cell ? section.table.cell(...finding.cell) : undefined;
    if (section !== within) section.show({ focus: cell === undefined, link: false });
    if (cell !== undefined) section.choose(cell, { focus: true, link: false });
  } else {
    const words = desk.findingItems[id];
    words.closest("details")?.setAttribute("open", "");
    words.hidden = false;
    words.tabIndex = -1;
    words.scrollIntoView({ block: "center" });
    words.focus({ preventScroll: true });
  }
  setLink(`finding-${id}`);
  return true;
}

/** All findings, the worst first; what somebody waived is folded away. */
function drawFindings() {
  const heading = make("h2", { id: fresh("findings") }, "Findings");
  const holder = document.querySelector("main > .findings");
  desk.findingItems = review.findings.map((finding) => drawFinding(finding));
  const open = inOrder.filter(({ waiver }) => !waiver).map(({ id }) => desk.findingItems[id]);
  const waived = inOrder.filter(({ waiver }) => waiver).map(({ id }) => desk.findingItems[id]);
  const section = make("section", { "aria-labelledby": heading.id }, heading);
  const placed = desk.findingItems.filter((item) => item.classList.contains("placed")).length;
  if (placed) section.append(make("p", { class: "with-tables" }, `${count(placed, "finding")} with the tables below.`));
  if (open.length) section.append(make("ul", { class: "all" }, ...open));
  else section.append(make("p", {}, waived.length ? "Every finding is waived." : "Nothing was found."));
  if (open.length > worstFirst) {
    for (const item of open.slice(worstFirst)) item.hidden = true;
    const button = make("button", {
      type: "button",
      onclick: () => {
        for (const item of open) item.hidden = false;
        button.remove();
      },
    }, `Show ${count(open.length - worstFirst, "more finding")}`);
    section.append(button);
  }
  if (waived.length) {
    const summary = make("summary", {}, `${count(waived.length, "finding")} waived`);
    section.append(make("details", {}, summary, make("ul", { class: "all" }, ...waived)));
  }
  holder.replaceWith(section);
  section.className = "findings";
}
