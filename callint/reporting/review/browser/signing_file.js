// The sign-off as a file, by schemas/sign-off.schema.json: saved, and read again by the page that it belongs to.

/** The largest file that is read, in bytes, as callint reads it. */
const largestFile = 16 * 2 ** 20;

class UnfitFileError extends Error {}

function signedImage({ path, base, definition, sha256 = {} }) {
  const file = (name, digits) => (digits ? { path: name, sha256: digits } : undefined);
  return { path, old: sha256.old, new: sha256.new, base: file(base, sha256.base), definition: file(definition, sha256.definition) };
}

/** The image, definition or policy of a point or table; JSON leaves undefined fields out. */
function subjectOf({ image, source }) {
  return { image: image === undefined ? undefined : review.images[image].path, source };
}

/** A table, or bytes or a checksum, as the file names it. */
function partEntry(part) {
  if (part instanceof Table) return { image: part.image.path, table: part.data.name };
  return { image: part.image.path, ...(part.name === undefined ? { bytes: true } : { checksum: part.name }) };
}

/** The document of the file. */
function signOffDocument() {
  const { digest, title, old, new: stored, date } = review;
  const { name, role, decision, signed, closing } = signOff;
  const accepted = points.filter((point) => signOff.accepted.has(point.key));
  const remarked = points.filter((point) => !signOff.accepted.has(point.key) && signOff.reason(point));
  return {
    format: "callint-sign-off", version: 1, program: review.program,
    review: { digest, title, old, new: stored, date },
    images: review.images.map(signedImage), policy: review.policy,
    reviewer: { name, role, date: isDay(signOff.date) ? signOff.date : "" }, decision, signed, closing,
    read: [...tables.filter((table) => signOff.read.has(table.key)), ...otherParts.filter(({ key }) => signOff.parts.has(key))].map(partEntry),
    unread: [...signOff.unreadTables, ...signOff.unreadParts].map(partEntry),
    accepted: accepted.map(acceptedEntry),
    remarks: [...remarked.map(remarkEntry), ...tables.flatMap(tableRemarks)],
  };
}

function acceptedEntry(point) {
  const findings = point.findings.map(({ fingerprint, rule, table, message }) => ({ fingerprint, rule, table, message }));
  return { ...subjectOf(point), cause: point.cause, title: point.title, remark: signOff.reason(point), findings };
}

function remarkEntry(point) {
  return { ...subjectOf(point), fingerprint: point.key, title: point.title, text: signOff.reason(point) };
}

/** The remarks on a table and its cells, as the file has them. */
function tableRemarks(table) {
  const entry = (text, cell, place) => ({ image: table.image.path, table: table.data.name, cell, place, text });
  const own = signOff.remarks.get(table.key)?.trim() ? [entry(signOff.remarks.get(table.key))] : [];
  return [...own, ...cellRemarks(table).map(({ cell, text }) => entry(text, table.at(cell), table.place(cell)))];
}

/** Offers the file for saving. */
function saveFile() {
  const text = `${JSON.stringify(signOffDocument(), null, 1)}\n`;
  const url = URL.createObjectURL(new Blob([text], { type: "application/json" }));
  const name = review.title.split("/").at(-1).replaceAll(/[^\w.-]+/g, "-");
  const link = make("a", { href: url, download: `${name || "review"}.sign-off.json` });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60_000);
}

// Reading

/** A stranger's text for a message: short, and without characters that steer. */
function shortText(text) {
  const clean = String(text).replaceAll(/\p{C}/gu, "");
  return clean.length > 120 ? `${clean.slice(0, 120)}…` : clean;
}

/** The state that a file's text holds; UnfitFileError if it is not a sign-off of this page. */
function stateOfFile(text) {
  let saved;
  try {
    saved = JSON.parse(text);
  } catch {
    throw new UnfitFileError("it is not JSON");
  }
  if (saved?.format !== "callint-sign-off") throw new UnfitFileError("it is not a sign-off that a review page saved");
  if (saved.version !== 1) throw new UnfitFileError("another version of callint saved it");
  try {
    requireSamePage(saved);
    return savedState(saved);
  } catch (error) {
    throw error instanceof UnfitFileError ? error : new UnfitFileError("it is damaged");
  }
}

/** UnfitFileError if a sign-off belongs to another page, or to another state of this one. */
function requireSamePage(saved) {
  if (saved.review.digest === review.digest) return;
  const ours = new Map(review.images.map(signedImage).map((image) => [image.path, image]));
  const isOther = saved.images.length !== ours.size || saved.images.some(({ path }) => !ours.has(path));
  if (isOther) throw new UnfitFileError(`it belongs to another review, of ${shortText(saved.review.title)}`);
  const differing = saved.images.flatMap((image) => {
    const own = ours.get(image.path);
    const names = { old: "the old image", new: "the new image", base: "the base", definition: "the definition" };
    return Object.entries(names).filter(([key]) => digestOf(image[key]) !== digestOf(own[key]))
      .map(([, name]) => `${name} of ${shortText(image.path)}`);
  });
  if (digestOf(saved.policy) !== digestOf(review.policy)) differing.push("the policy");
  const reason = differing.length ? `it was signed with another content of ${differing.slice(0, 6).join(", ")}`
    : `the files are the same, but their findings, the date or the version of callint (${shortText(saved.program)}) are not`;
  throw new UnfitFileError(`it belongs to another state of this review: ${reason}`);
}

function digestOf(file) {
  return typeof file === "object" ? file.sha256 : file;
}

/** The input of the page that a sign-off describes; an error if it names what the page lacks. */
function savedState(saved) {
  const image = (path) => review.images.find((candidate) => candidate.path === path);
  const tableOfEntry = (entry) => found(tables.find((table) => table.image === image(entry.image) && table.data.name === entry.table));
  const partOf = (entry) => found(otherParts.find((part) => part.image === image(entry.image)
    && (entry.bytes === true ? part.name === undefined : part.name !== undefined && part.name === entry.checksum)));
  const pointOf = (fingerprint) => found(points.find(({ key }) => key === fingerprint));
  const read = saved.read.filter(({ table }) => table !== undefined).map((entry) => tableOfEntry(entry).key);
  const parts = saved.read.filter(({ table }) => table === undefined).map((entry) => partOf(entry).key);
  const accepted = saved.accepted.map(({ findings }) => pointOf(findings[0].fingerprint).key);
  const reasons = Object.fromEntries(saved.accepted.map(({ remark }, n) => [accepted[n], limited(remark, 4000)]));
  const [remarks, cells] = [{}, {}];
  for (const { fingerprint, cell, text, ...entry } of saved.remarks) {
    if (fingerprint !== undefined) reasons[pointOf(fingerprint).key] = limited(text, 4000);
    else if (cell === undefined) remarks[tableOfEntry(entry).key] = limited(text, 4000);
    else cells[cellKey(tableOfEntry(entry), tableOfEntry(entry).cell(...found(tableOfEntry(entry).has(...cell) && cell)))] = limited(text, 4000);
  }
  const { name, role, date } = saved.reviewer;
  found(Object.hasOwn(decisions, saved.decision) && typeof saved.signed === "boolean" && /^(\d{4}-\d\d-\d\d)?$/.test(date));
  return {
    read, parts, accepted, reasons, remarks, cells, decision: saved.decision, closing: limited(saved.closing, 8000),
    name: limited(name, 200), role: limited(role, 200), date, signed: saved.signed,
  };
}

/** What a file names; an error if the page lacks it. */
function found(thing) {
  if (!thing) throw new UnfitFileError("it names something that this page lacks");
  return thing;
}

function limited(text, most) {
  if (typeof text !== "string" || text.length > most) throw new UnfitFileError("it is damaged");
  return text;
}

/** Reads a file that the reviewer chose; what was on the page before can be restored. */
async function readFile(file, say) {
  const before = signOff.state();
  let state;
  try {
    if (file.size > largestFile) throw new UnfitFileError(`it is larger than ${largestFile >> 20} MiB`);
    state = stateOfFile(await file.text());
  } catch (error) {
    const reason = error instanceof UnfitFileError ? error.message : "this browser cannot read it";
    say(`${shortText(file.name)} was not read: ${reason}. Nothing changed here.`);
    return;
  }
  // The signature counts only if the page would have allowed it.
  signOff.replace(state);
  if (state.signed && missing().length) {
    signOff.replace({ ...state, signed: false });
    say(`${shortText(file.name)} was read, but its signature does not count: ${missing().join(" ")}`);
    return;
  }
  say(`${shortText(file.name)} was read. `, make("button", {
    type: "button",
    onclick: () => {
      signOff.replace(before);
      document.querySelector(".exchange .load").focus();
      say("What was here before is back.");
    },
  }, "Undo"));
}
