// What the reviewer does: parts read, remarks, accepted mistakes, a decision, a signature. It stays in this
// browser, under the document's digest.

const decisions = { open: "Not decided", agreed: "Agreed", changes: "Changes asked for" };
/** The shortest reason that a policy accepts for a waiver. */
const shortestReason = 10;
/** The largest number of addresses of unexplained bytes that are named. */
const mostAddresses = 4;
const notAnApproval = "Signing says that you read the change and what you decided. It is not an approval by the maker "
  + "or an authority: their limits, local law and licensed practice decide.";

/** What the reviewer may accept, in the order of reading: mistakes, and findings that belong to none. */
const points = [
  ...causes.map((cause) => newPoint(cause, cause.title, cause.findings.map((id) => review.findings[id]), cause.cause)),
  ...findingsInOrder.filter(({ waiver, cause, severity }) => !waiver && cause === undefined && severity !== "note")
    .map((finding) => newPoint(finding, pointTitle(finding), [finding])),
];

function newPoint({ image, source, severity, danger }, title, findings, cause) {
  return { image, source, severity, danger, title, findings, cause, key: findings[0].fingerprint };
}

function pointTitle(finding) {
  return `${[finding.table, finding.place].filter(Boolean).join(" at ") || finding.rule}: ${finding.message}`;
}

/** The number of mistakes that have no entry, as all of their findings are folded into those of others. */
const foldedMistakes = review.counts.mistakes - causes.length;

/** The path of the image, definition or policy of a point, finding or table. */
function pathOf({ image, source }) {
  return image === undefined ? source ?? "" : review.images[image].path;
}

/** What is read beside the tables: unexplained bytes, and checksums that changed or are stale. */
const otherParts = review.images.flatMap((image) => {
  const unexplained = image.bytes ? image.bytes.changed - image.bytes.explained : 0;
  const addresses = image.bytes?.runs.slice(0, mostAddresses).map(({ address }) => address).join(", ");
  const isCut = image.bytes && image.bytes.runs.length + image.bytes.more > mostAddresses;
  const bytes = `${count(unexplained, "byte")} that no definition explains, at ${addresses}${isCut ? " and elsewhere" : ""}`;
  const changed = image.checksums.filter(({ old, new: stored, stale }) => stale || old !== stored);
  return [...(unexplained ? [newPart(image, bytes)] : []), ...changed.map(({ name, old, new: stored, stale }) => {
    const values = [old, stored].filter(Boolean).join(" → ");
    return newPart(image, `Checksum ${name}: ${values}${stale ? "; it does not fit the contents" : ""}`, name);
  })];
});

/** Bytes, or the checksum of a name. */
function newPart(image, text, name) {
  const title = hasSeveralImages ? `${image.path}: ${text}` : text;
  return { image, title, name, key: name === undefined ? `${image.id} bytes` : `${image.id} checksum ${name}` };
}

const emptyState = {
  read: [], parts: [], remarks: {}, cells: {}, accepted: [], reasons: {}, decision: "open", closing: "", name: "",
  role: "", date: "", signed: false,
};

/** The reviewer's input so far; stored if the browser lets pages store something. */
const signOff = {
  storageKey: `callint-review:${review.digest}`,
  isStored: true,
  /** Called after each change. */
  listeners: [],
  /** Called after a file replaced everything: each control shows what it is about. */
  controls: [],

  load() {
    let text;
    try {
      text = window.localStorage.getItem(this.storageKey);
      // Some browsers let a page read but not write.
      window.localStorage.setItem(this.storageKey, text ?? JSON.stringify(emptyState));
    } catch {
      this.isStored = false;
    }
    this.set(emptyState);
    try {
      this.set({ ...emptyState, ...JSON.parse(text ?? "{}") });
    } catch {
      // The stored text is not from this page.
    }
    this.signed &&= !missing().length;
  },

  set(state) {
    const texts = (entries) => new Map(Object.entries(entries).map(([key, text]) => [key, String(text)]));
    const [read, parts, accepted] = [state.read, state.parts, state.accepted].map((keyList) => new Set(keyList));
    const [remarks, cells, reasons] = [state.remarks, state.cells, state.reasons].map(texts);
    Object.assign(this, { read, parts, accepted, remarks, cells, reasons });
    this.decision = Object.hasOwn(decisions, state.decision) ? state.decision : "open";
    for (const field of ["closing", "name", "role", "date"]) this[field] = String(state[field]);
    this.signed = state.signed === true;
  },

  state() {
    const texts = (map) => Object.fromEntries([...map].filter(([, text]) => text.trim()));
    const { decision, closing, name, role, date, signed } = this;
    return {
      read: [...this.read], parts: [...this.parts], accepted: [...this.accepted], remarks: texts(this.remarks),
      cells: texts(this.cells), reasons: texts(this.reasons), decision, closing, name, role, date, signed,
    };
  },

  /** Stores a change, which ends a signature. */
  save() {
    this.wasSigned = this.signed;
    this.signed = false;
    this.store();
  },

  store() {
    if (this.isStored) {
      try {
        window.localStorage.setItem(this.storageKey, JSON.stringify(this.state()));
      } catch {
        this.isStored = false;
      }
    }
    for (const listener of this.listeners) listener();
  },

  sign() {
    this.date = this.day;
    this.signed = true;
    this.wasSigned = false;
    this.store();
    for (const control of this.controls) control();
  },

  /** Replaces everything, as a file says it. */
  replace(state) {
    this.set(state);
    this.store();
    for (const control of this.controls) control();
  },

  get readCount() {
    return tables.filter((table) => this.read.has(table.key)).length;
  },

  get progress() {
    return `${this.readCount.toLocaleString("en")} of ${count(tables.length, "table")} read`;
  },

  get unreadTables() {
    return tables.filter((table) => !this.read.has(table.key));
  },

  get unreadParts() {
    return otherParts.filter(({ key }) => !this.parts.has(key));
  },

  reason(point) {
    return (this.reasons.get(point.key) ?? "").trim();
  },

  isAccepted(point) {
    return this.accepted.has(point.key) && this.reason(point).length >= shortestReason;
  },

  /** The day that the reviewer gave, or else today. */
  get day() {
    const now = new Date();
    const parts = [now.getFullYear(), now.getMonth() + 1, now.getDate()];
    return this.date || parts.map((part, n) => String(part).padStart(n ? 2 : 4, "0")).join("-");
  },

  /** The errors that nobody accepted with a reason, neither here nor by a waiver. */
  get openErrors() {
    return points.filter((point) => point.severity === "error" && !this.isAccepted(point));
  },

  /** What nobody read, as a clause; empty if everything was read. */
  get unreadText() {
    const [unread, parts] = [this.unreadTables.length, this.unreadParts.length];
    return [unread ? `${count(unread, "table")} unread` : "", parts ? `${count(parts, "item")} of bytes and checksums unread` : ""]
      .filter(Boolean).join(" and ");
  },
};

/** A check box that puts a key into a set. */
function drawTick(text, keysOf, key, spoken = "") {
  const input = make("input", {
    type: "checkbox",
    onchange: () => {
      if (input.checked) signOff[keysOf].add(key);
      else signOff[keysOf].delete(key);
      signOff.save();
    },
  });
  const show = () => {
    input.checked = signOff[keysOf].has(key);
  };
  signOff.controls.push(show);
  show();
  return make("label", { class: "tick" }, input, ` ${text}`, spoken && spokenText(spoken));
}

/** A field for text and its copy for paper. */
function drawField(read, write, attributes) {
  const printed = make("p", { class: "printed" });
  const area = make("textarea", {
    rows: 1, maxlength: 4000, ...attributes,
    oninput: () => {
      write(area.value);
      printed.textContent = area.value;
      signOff.save();
    },
  });
  const show = () => {
    area.value = read();
    printed.textContent = area.value;
  };
  signOff.controls.push(show);
  show();
  return { area, printed, show };
}

/** The check box and the remark of a table, and the remarks on its cells. */
function drawSigning(table) {
  const id = uniqueId("remark");
  const { area, printed } = drawField(() => signOff.remarks.get(table.key) ?? "",
    (text) => signOff.remarks.set(table.key, text), { id });
  const own = make("div", { class: "signing" }, drawTick("Read", "read", table.key, `: ${table.title}`),
    make("label", { for: id }, "Remark", spokenText(` on ${table.title}`)), area, printed);
  return table.size > 1 ? make("div", {}, own, drawCellRemarks(table)) : own;
}

/** The key of a cell, which is its link too. */
function cellKey(table, cell) {
  return `${table.key}/${table.at(cell).join(",")}`;
}

/** The remarks on the cells of a table, in their order. */
function cellRemarks(table) {
  return Array.from({ length: table.size }, (_, cell) => ({ cell, text: signOff.cells.get(cellKey(table, cell)) ?? "" }))
    .filter(({ text }) => text.trim());
}

/** A remark on the chosen cell, and the list of all such remarks of the table. */
function drawCellRemarks(table) {
  const id = uniqueId("cell-remark");
  let cell = table.section.chosen;
  const label = make("label", { for: id });
  const list = make("ul");
  const { area, show } = drawField(() => signOff.cells.get(cellKey(table, cell)) ?? "",
    (text) => {
      signOff.cells.set(cellKey(table, cell), text);
      showList();
    }, { id });
  const showList = () => {
    list.replaceChildren(...cellRemarks(table).map(({ cell: other, text }) => make("li", {}, make("a", {
      href: `#${cellKey(table, other)}`,
      onclick: (event) => {
        event.preventDefault();
        table.section.choose(other, { focus: true });
      },
    }, table.place(other)), `: ${text}`)));
  };
  const follow = () => {
    cell = table.section.chosen;
    label.textContent = `Remark on the cell at ${table.place(cell)}`;
    show();
    showList();
  };
  signOff.controls.push(showList);
  table.section.article.addEventListener("focusin", (event) => {
    if (event.target.closest("td")) follow();
  });
  follow();
  return make("div", { class: "cell-remarks" }, label, area, list);
}

/** Lets the reviewer accept each mistake, and each finding that belongs to none, where it is listed. */
function drawAcceptances() {
  for (const point of points) {
    const item = pageState.findingItems[point.findings[0].id];
    (item.closest(".cause") ?? item).append(drawAcceptance(point));
  }
}

function drawAcceptance(point) {
  const id = uniqueId("reason");
  const note = make("p", { class: "needed", id: `${id}-note` });
  const { area, printed } = drawField(() => signOff.reasons.get(point.key) ?? "",
    (text) => signOff.reasons.set(point.key, text), { id, "aria-describedby": note.id });
  const fields = make("div", { class: "fields" }, drawTick("Accept", "accepted", point.key, `: ${point.title}`),
    make("label", { for: id }, "Remark", spokenText(` on ${point.title}`)), area, printed, note);
  const box = make("details", { class: "acceptance" }, make("summary", {}, "Accept or remark", spokenText(`: ${point.title}`)), fields);
  const show = () => {
    const isShort = signOff.accepted.has(point.key) && !signOff.isAccepted(point);
    note.textContent = isShort ? `Accepting needs a reason of ${shortestReason} characters or more.` : "";
    box.classList.toggle("is-accepted", signOff.isAccepted(point));
    if (signOff.accepted.has(point.key) || signOff.reason(point)) box.open = true;
  };
  signOff.listeners.push(show);
  point.show = () => {
    for (let around = box; around; around = around.parentElement) {
      if (around.matches("details")) around.open = true;
      if (around.matches("li")) around.hidden = false;
    }
    box.scrollIntoView({ block: "center" });
    area.focus({ preventScroll: true });
  };
  return box;
}
