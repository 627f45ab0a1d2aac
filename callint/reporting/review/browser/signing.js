// The reviewer's input: tables read, remarks, a decision. It stays in this browser, under the document's digest.

const decisions = { open: "Not decided", agreed: "Agreed", changes: "Changes asked for" };

/** The reviewer's input so far; stored if the browser lets pages store something. */
const signOff = {
  storageKey: `callint-review:${review.digest}`,
  isStored: true,
  read: new Set(),
  remarks: new Map(),
  decision: "open",
  closing: "",

  load() {
    let text;
    try {
      text = window.localStorage.getItem(this.storageKey);
      // Some browsers let a page read but not write.
      window.localStorage.setItem(this.storageKey, text ?? JSON.stringify(this.state()));
    } catch {
      this.isStored = false;
    }
    try {
      const stored = JSON.parse(text ?? "{}");
      const [read, remarks] = [new Set(stored.read ?? []), new Map(Object.entries(stored.remarks ?? {}))];
      [this.read, this.remarks] = [read, remarks];
      this.decision = Object.hasOwn(decisions, stored.decision ?? "") ? stored.decision : "open";
      this.closing = String(stored.closing ?? "");
    } catch {
      // The stored text is not from this page.
    }
  },

  state() {
    const remarks = Object.fromEntries([...this.remarks].filter(([, text]) => text.trim()));
    return { read: [...this.read], remarks, decision: this.decision, closing: this.closing };
  },

  save() {
    if (this.isStored) {
      try {
        window.localStorage.setItem(this.storageKey, JSON.stringify(this.state()));
      } catch {
        this.isStored = false;
      }
    }
    for (const listener of this.listeners) listener();
  },

  listeners: [],

  get readCount() {
    return tables.filter((table) => this.read.has(table.key)).length;
  },

  get progress() {
    return `${this.readCount.toLocaleString("en")} of ${count(tables.length, "table")} read`;
  },
};

// The review as Markdown

// A text that is the same in every dialect once its emphasis is escaped: no link, mention, issue number or HTML.
// Hexadecimal digits may be the id of a commit.
const plainText = /^(?!.*(?::\/\/|www\.|:\w+:|\b[0-9a-f]{7,40}\b|\bGH-))[\p{L}\p{N}_ .,:;%°+()/→"'=?!²³·µ-]*$/u;

/** A stranger's text in one line, as plain text or as code if a dialect could interpret it. */
function prose(text) {
  const line = text.split(/\s+/).filter(Boolean).join(" ");
  const starts = /^(?:[+=-]|\d+[.)])/.test(line); // a list or a heading
  return plainText.test(line) && !starts ? line.replace(/[_*~]/g, "\\$&") : code(line);
}

function code(text) {
  const runs = text.match(/`+/g) ?? [];
  const fence = "`".repeat(Math.max(0, ...runs.map((run) => run.length)) + 1);
  const gap = text.startsWith("`") || text.endsWith("`") ? " " : "";
  return `${fence}${gap}${text}${gap}${fence}`;
}

function quoted(text, indent) {
  return text.split("\n").filter((line) => line.trim()).map((line) => `${indent}> ${prose(line)}  `);
}

/** The decision, the remarks, the tables read and unread, and the open findings. */
function reviewMarkdown() {
  const lines = [`### Review of ${prose(review.title)}`, ""];
  lines.push(`${prose(sideText("old"))} → ${prose(sideText("new"))}, review with the digest ${code(review.digest)}`, "");
  lines.push(prose(review.verdict), "");
  lines.push(`**${decisions[signOff.decision]}.** ${signOff.progress}.`, "");
  if (signOff.decision === "agreed" && signOff.readCount < tables.length) {
    lines.push(`**Warning: agreed with tables unread, ${signOff.progress}.**`, "");
  }
  if (signOff.closing.trim()) lines.push(...quoted(signOff.closing, ""), "");
  const read = tables.filter((table) => signOff.read.has(table.key));
  const unread = tables.filter((table) => !signOff.read.has(table.key));
  if (read.length) lines.push("Read:", "", ...read.flatMap((table) => tableMarkdown(table, "x")), "");
  if (unread.length) lines.push("Not read:", "", ...unread.flatMap((table) => tableMarkdown(table, " ")), "");
  if (review.counts.waived) lines.push(`${count(review.counts.waived, "finding")} waived.`, "");
  const open = findingsInOrder.filter((finding) => !finding.waiver);
  if (open.length) lines.push("Findings open:", "", ...open.map(findingMarkdown), "");
  else lines.push("No finding is open.", "");
  return lines.join("\n");
}

function tableMarkdown(table, checkMark) {
  const image = hasSeveralImages ? `${prose(table.image.path)} ` : "";
  const line = `- [${checkMark}] ${image}**${prose(table.title)}** ${code(table.data.name)}: ${prose(table.data.summary)}`;
  return [line, ...quoted(signOff.remarks.get(table.key) ?? "", "  ")];
}

function findingMarkdown(finding) {
  const image = finding.image === undefined ? finding.source ?? "" : hasSeveralImages ? review.images[finding.image].path : "";
  const label = [image, finding.table, finding.place].filter(Boolean).join(" ");
  const place = label ? ` ${prose(label)}:` : "";
  return `- **${finding.severity}** ${code(finding.rule)}${place} ${prose(finding.message)} (${code(finding.fingerprint)})`;
}

/** The check box and the remark of one table. */
function drawSigning(table) {
  const id = uniqueId("remark");
  const box = make("input", {
    type: "checkbox",
    onchange: () => {
      if (box.checked) signOff.read.add(table.key);
      else signOff.read.delete(table.key);
      signOff.save();
    },
  });
  box.checked = signOff.read.has(table.key);
  const remark = make("textarea", {
    id, rows: 1, maxlength: 4000,
    oninput: () => {
      signOff.remarks.set(table.key, remark.value);
      printed.textContent = remark.value;
      signOff.save();
    },
  });
  remark.value = signOff.remarks.get(table.key) ?? "";
  const printed = make("p", { class: "printed" }, remark.value);
  return make("div", { class: "signing" }, make("label", { class: "tick" }, box, " Read"),
    make("label", { for: id }, "Remark"), remark, printed);
}

/** The end of the page: the decision, a closing remark, and the review as text. */
function drawSignOff() {
  const heading = make("h2", { id: uniqueId("signing") }, "Signing off");
  const choices = Object.entries(decisions).map(([value, label]) => {
    const input = make("input", {
      type: "radio", name: "~decision", value,
      onchange: () => {
        signOff.decision = value;
        signOff.save();
      },
    });
    input.checked = signOff.decision === value;
    return make("label", {}, input, ` ${label}`);
  });
  const id = uniqueId("closing");
  const closing = make("textarea", {
    id, rows: 3, maxlength: 8000,
    oninput: () => {
      signOff.closing = closing.value;
      printed.textContent = closing.value;
      signOff.save();
    },
  });
  closing.value = signOff.closing;
  const printed = make("p", { class: "printed" }, closing.value);
  const progress = make("p", { class: "progress" }, signOff.progress);
  const status = make("p", { class: "status", role: "status" });
  const text = make("textarea", { class: "markdown", readonly: true, rows: 10, "aria-label": "The review as Markdown", hidden: true });
  const copy = make("button", { type: "button", class: "copy", onclick: () => copyReview(text, status) }, "Copy review");
  const storageText = () => (signOff.isStored ? "What you tick and write stays in this browser; the page sends and writes nothing."
    : "This browser keeps nothing for this page: what you tick and write is gone when it is closed. Copy it first.");
  const storageNote = make("p", { class: "kept" }, storageText());
  signOff.listeners.push(() => {
    progress.textContent = signOff.progress;
    storageNote.textContent = storageText();
  });
  return make("section", { class: "signoff", "aria-labelledby": heading.id }, heading, progress,
    make("fieldset", {}, make("legend", {}, "Decision"), ...choices),
    make("label", { for: id }, "Closing remark"), closing, printed,
    make("p", { class: "signature" }, "Reviewed by, on:"), copy, status, text, storageNote);
}

async function copyReview(text, status) {
  text.value = reviewMarkdown();
  try {
    await navigator.clipboard.writeText(text.value);
    text.hidden = true;
    status.textContent = "Copied as Markdown.";
  } catch {
    text.hidden = false;
    text.focus();
    text.select();
    status.textContent = "This browser does not let a page copy: the text below is selected, copy it by hand.";
  }
}
