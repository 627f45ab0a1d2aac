// The review as Markdown.

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

/** The decision, the digests, what was accepted, read and remarked, and the open findings. */
function reviewMarkdown() {
  const lines = [`### Review of ${prose(review.title)}`, ""];
  lines.push(`${prose(sideText("old"))} → ${prose(sideText("new"))}, review with the digest ${code(review.digest)}`, "");
  lines.push(...digestsMarkdown(), "", prose(review.verdict), "", ...decisionMarkdown());
  if (signOff.closing.trim()) lines.push(...quoted(signOff.closing, ""), "");
  const part = (heading, entries) => {
    if (entries.length) lines.push(heading, "", ...entries, "");
  };
  part("Read:", [...tables.filter((table) => signOff.read.has(table.key)).flatMap((table) => tableMarkdown(table, "x")),
    ...otherParts.filter(({ key }) => signOff.parts.has(key)).map(({ title }) => `- [x] ${prose(title)}`)]);
  part("Not read:", [...signOff.unreadTables.flatMap((table) => tableMarkdown(table, " ")),
    ...signOff.unreadParts.map(({ title }) => `- [ ] ${prose(title)}`)]);
  part("Accepted, with the reason:", points.filter((point) => signOff.isAccepted(point)).flatMap(pointMarkdown));
  part("Remarks on mistakes that are not accepted:",
    points.filter((point) => signOff.reason(point) && !signOff.isAccepted(point)).flatMap(pointMarkdown));
  if (review.counts.waived) lines.push(`${count(review.counts.waived, "finding")} waived.`, "");
  const accepted = new Set(points.filter((point) => signOff.isAccepted(point)).flatMap(({ findings }) => findings.map(({ id }) => id)));
  const open = findingsInOrder.filter(({ waiver, id }) => !waiver && !accepted.has(id));
  if (open.length) lines.push("Findings open:", "", ...open.map(findingMarkdown), "");
  else lines.push("No finding is open.", "");
  return [...lines, notAnApproval, ""].join("\n");
}

/** The SHA-256 of all files that the review rests on. */
function digestsMarkdown() {
  const lines = review.images.flatMap(({ path, base, definition, sha256 = {} }) => [
    ["old", sha256.old], ["new", sha256.new], [`base ${base ?? ""}`, sha256.base],
    [`definition ${definition ?? ""}`, sha256.definition],
  ].filter(([, digits]) => digits).map(([name, digits]) => `- ${prose(`${path}, ${name}`)}: ${code(digits)}`));
  if (review.policy) lines.push(`- ${prose(`policy ${review.policy.path}`)}: ${code(review.policy.sha256)}`);
  return lines.length ? ["SHA-256:", "", ...lines] : [];
}

/** The decision with the signature; without one, what is missing. */
function decisionMarkdown() {
  if (!signOff.signed) {
    const chosen = signOff.decision === "open" ? "" : ` ${decisions[signOff.decision]} is chosen.`;
    return [`**Not signed.**${chosen} ${signOff.progress}. ${openText()}`, ""];
  }
  const { name, role, date } = signOff;
  const lines = [`**${decisions[signOff.decision]}** by ${prose(name)}, ${prose(role)}, on ${prose(date)}. ${signOff.progress}.`, ""];
  if (signOff.unreadText) lines.push(`**Warning: signed with ${signOff.unreadText}.**`, "");
  if (signOff.decision === "changes" && signOff.openErrors.length) lines.push(openText(), "");
  return lines;
}

/** How many errors are open, as a sentence. */
function openText() {
  const open = signOff.openErrors;
  if (!open.length) return "No error is open.";
  const disabled = open.filter(({ danger }) => danger === "disabled protection").length;
  const which = disabled ? `, ${disabled.toLocaleString("en")} of them ${disabled === 1 ? "a disabled protection" : "disabled protections"}` : "";
  return `${count(open.length, "error")} open${which}.`;
}

function tableMarkdown(table, checkMark) {
  const image = hasSeveralImages ? `${prose(table.image.path)} ` : "";
  const line = `- [${checkMark}] ${image}**${prose(table.title)}** ${code(table.data.name)}: ${prose(table.data.summary)}`;
  const cells = cellRemarks(table).flatMap(({ cell, text }) => [`  - at ${prose(table.place(cell))}:`].concat(quoted(text, "    ")));
  return [line, ...quoted(signOff.remarks.get(table.key) ?? "", "  "), ...cells];
}

function pointMarkdown(point) {
  const path = point.image === undefined || hasSeveralImages ? `${prose(pathOf(point))}: ` : "";
  const danger = point.danger ? `**${prose(point.danger)}** ` : "";
  const id = code(point.cause ?? point.key);
  return [`- **${point.severity}** ${danger}${path}${prose(point.title)} (${id})`, ...quoted(signOff.reason(point), "  ")];
}

function findingMarkdown(finding) {
  const image = finding.image === undefined ? finding.source ?? "" : hasSeveralImages ? review.images[finding.image].path : "";
  const label = [image, finding.table, finding.place].filter(Boolean).join(" ");
  const place = label ? ` ${prose(label)}:` : "";
  return `- **${finding.severity}** ${code(finding.rule)}${place} ${prose(finding.message)} (${code(finding.fingerprint)})`;
}
