// What a reviewer says: tables read, remarks, a decision. It stays in this browser, under the document's digest.

const decisions = { open: "Not decided", agreed: "Agreed", changes: "Changes asked for" };

/** What the reviewer has said so far; kept where the browser lets pages keep something. */
const said = {
  place: `callint-review:${review.digest}`,
  kept: true,
  read: new Set(),
  remarks: new Map(),
  decision: "open",
  closing: "",

  load() {
    let text;
    try {
      text = window.localStorage.getItem(this.place);
      // Some browsers let a page read and not write.
      window.localStorage.setItem(this.place, text ?? JSON.stringify(this.state()));
    } catch {
      this.kept = false;
    }
    try {
      const stored = JSON.parse(text ?? "{}");
      const [read, remarks] = [new Set(stored.read ?? []), new Map(Object.entries(stored.remarks ?? {}))];
      [this.read, this.remarks] = [read, remarks];
      this.decision = Object.hasOwn(decisions, stored.decision ?? "") ? stored.decision : "open";
      this.closing = String(stored.closing ?? "");
    } catch {
      // Whatever lay there was none of this page's.
    }
  },

  state() {
    const remarks = Object.fromEntries([...this.remarks].filter(([, text]) => text.trim()));
    return { read: [...this.read], remarks, decision: this.decision, closing: this.closing };
  },

  save() {
    if (this.kept) {
      try {
        window.localStorage.setItem(this.place, JSON.stringify(this.state()));
      } catch {
        this.kept = false;
      }
    }
    for (const listener of this.listeners) listener();
  },

  listeners: [],

  get done() {
    return tables.filter((table) => this.read.has(table.key)).length;
  },

  get progress() {
    return `${this.done.toLocaleString("en")} of ${count(tables.length, "table")} read`;
  },
};

// The review as Markdown

// Text of these characters is the same in every dialect once its stars and the like are escaped: no link, no
// mention, no number of an issue, no HTML. Hexadecimal digits may be a commit's.
const tame = /^(?!.*(?::\/\/|www\.|:\w+:|\b[0-9a-f]{7,40}\b|\bGH-))[\p{L}\p{N}_ .,:;%°+()/→"'=?!²³·µ-]*$/u;

/** One line of anybody's text as text, or as code where some dialect might make more of it. */
function prose(text) {
  const line = text.split(/\s+/).filter(Boolean).join(" ");
  const starts = /^(?:[+=-]|\d+[.)])/.test(line); // a list or a heading
  return tame.test(line) && !starts ? line.replace(/[_*~]/g, "\\$&") : code(line);
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

/** Decision, remarks, tables read and unread, and the findings that are open. */
function reviewMarkdown() {
  const lines = [`### Review of ${prose(review.title)}`, ""];
  lines.push(`${prose(review.old)} → ${prose(review.new)}, review with the digest ${code(review.digest)}`, "");
  lines.push(prose(review.verdict), "");
  lines.push(`**${decisions[said.decision]}.** ${said.progress}.`, "");
  if (said.decision === "agreed" && said.done < tables.length) {
    lines.push(`**Warning: agreed with tables unread, ${said.progress}.**`, "");
  }
  if (said.closing.trim()) lines.push(...quoted(said.closing, ""), "");
  const read = tables.filter((table) => said.read.has(table.key));
  const unread = tables.filter((table) => !said.read.has(table.key));
  if (read.length) lines.push("Read:", "", ...read.flatMap((table) => tableMarkdown(table, "x")), "");
  if (unread.length) lines.push("Not read:", "", ...unread.flatMap((table) => tableMarkdown(table, " ")), "");
  if (review.counts.waived) lines.push(`${count(review.counts.waived, "finding")} waived.`, "");
  const open = inOrder.filter((finding) => !finding.waiver);
  if (open.length) lines.push("Findings open:", "", ...open.map(findingMarkdown), "");
  else lines.push("No finding is open.", "");
  return lines.join("\n");
}

function tableMarkdown(table, tick) {
  const image = several ? `${prose(table.image.path)} ` : "";
  const line = `- [${tick}] ${image}**${prose(table.title)}** ${code(table.data.name)}: ${prose(table.data.summary)}`;
  return [line, ...quoted(said.remarks.get(table.key) ?? "", "  ")];
}

function findingMarkdown(finding) {
  const image = finding.image === undefined ? finding.source ?? "" : several ? review.images[finding.image].path : "";
  const words = [image, finding.table, finding.place].filter(Boolean).join(" ");
  const place = words ? ` ${prose(words)}:` : "";
  return `- **${finding.severity}** ${code(finding.rule)}${place} ${prose(finding.message)} (${code(finding.fingerprint)})`;
}

/** The tick and the remark of one table. */
function drawSigning(table) {
  const id = fresh("remark");
  const box = make("input", {
    type: "checkbox",
    onchange: () => {
      if (box.checked) said.read.add(table.key);
      else said.read.delete(table.key);
      said.save();
    },
  });
  box.checked = said.read.has(table.key);
  const remark = make("textarea", {
    id, rows: 1, maxlength: 4000,
    oninput: () => {
      said.remarks.set(table.key, remark.value);
      printed.textContent = remark.value;
      said.save();
    },
  });
  remark.value = said.remarks.get(table.key) ?? "";
  const printed = make("p", { class: "printed" }, remark.value);
  return make("div", { class: "signing" }, make("label", { class: "tick" }, box, " Read"),
    make("label", { for: id }, "Remark"), remark, printed);
}

/** The end of the page: the decision, a closing remark, and the review as text. */
function drawSignOff() {
  const heading = make("h2", { id: fresh("signing") }, "Signing off");
  const choices = Object.entries(decisions).map(([value, words]) => {
    const input = make("input", {
      type: "radio", name: "~decision", value,
      onchange: () => {
        said.decision = value;
        said.save();
      },
    });
    input.checked = said.decision === value;
    return make("label", {}, input, ` ${words}`);
  });
  const id = fresh("closing");
  const closing = make("textarea", {
    id, rows: 3, maxlength: 8000,
    oninput: () => {
      said.closing = closing.value;
      printed.textContent = closing.value;
      said.save();
    },
  });
  closing.value = said.closing;
  const printed = make("p", { class: "printed" }, closing.value);
  const progress = make("p", { class: "progress" }, said.progress);
  const told = make("p", { class: "told", role: "status" });
  const text = make("textarea", { class: "markdown", readonly: true, rows: 10, "aria-label": "The review as Markdown", hidden: true });
  const copy = make("button", { type: "button", class: "copy", onclick: () => copyReview(text, told) }, "Copy review");
  const keeping = () => (said.kept ? "What you tick and write stays in this browser; the page sends and writes nothing."
    : "This browser keeps nothing for this page: what you tick and write is gone when it is closed. Copy it first.");
  const kept = make("p", { class: "kept" }, keeping());
  said.listeners.push(() => {
    progress.textContent = said.progress;
    kept.textContent = keeping();
  });
  return make("section", { class: "signoff", "aria-labelledby": heading.id }, heading, progress,
    make("fieldset", {}, make("legend", {}, "Decision"), ...choices),
    make("label", { for: id }, "Closing remark"), closing, printed,
    make("p", { class: "signature" }, "Reviewed by, on:"), copy, told, text, kept);
}

async function copyReview(text, told) {
  text.value = reviewMarkdown();
  try {
    await navigator.clipboard.writeText(text.value);
    text.hidden = true;
    told.textContent = "Copied as Markdown.";
  } catch {
    text.hidden = false;
    text.focus();
    text.select();
    told.textContent = "This browser does not let a page copy: the text below is selected, copy it by hand.";
  }
}
