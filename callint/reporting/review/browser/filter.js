// The filter: which mistakes, findings and tables are shown, and in which order. Links carry it.

/** The values by name, without empty ones; the fields by name; the number of items behind "show more". */
const filter = { values: {}, fields: {}, areAllOpen: false };

const filterNames = ["text", "severity", "rule", "state", "danger", "purpose", "group", "image", "read", "order"];
const orders = [["name", "by name"], ["findings", "most findings first"]];

function filterQuery() {
  return new URLSearchParams(filterNames.filter((name) => filter.values[name]).map((name) => [name, filter.values[name]])).toString();
}

/** Whether the filter may hide something. */
function isFiltered() {
  return Object.keys(filter.values).some((name) => name !== "order");
}

/** Takes a filter from a link over into the fields. */
function setFilter(query) {
  const values = {};
  for (const name of filterNames) if (query.get(name)) values[name] = query.get(name);
  if (new URLSearchParams(values).toString() === filterQuery()) return;
  filter.values = values;
  for (const [name, input] of Object.entries(filter.fields)) input.value = values[name] ?? "";
  applyFilter();
}

/** Takes the filter over from a field. */
function readField(name, isSamePlace = false) {
  const value = filter.fields[name].value.trim();
  if (value) filter.values[name] = value;
  else delete filter.values[name];
  applyFilter();
  setLink(readLink().place, isSamePlace);
}

function clearFilter({ isSamePlace = false } = {}) {
  filter.values = filter.values.order ? { order: filter.values.order } : {};
  for (const [name, input] of Object.entries(filter.fields)) if (name !== "order") input.value = "";
  applyFilter();
  setLink(readLink().place, isSamePlace);
}

// What matches

const haystacks = new Map();

/** What the words of the filter may match, in lower case. */
function haystack(item, texts) {
  if (!haystacks.has(item)) haystacks.set(item, texts(item).filter(Boolean).join(" ").toLowerCase());
  return haystacks.get(item);
}

function tableTexts({ title, data, image }) {
  return [title, data.name, data.group, data.summary, image.path];
}

function findingTexts(finding) {
  const cause = causes[finding.cause];
  return [finding.message, finding.rule, review.rules[finding.rule], finding.table, finding.place, finding.hint,
    finding.address, imageOf(finding), cause?.title, cause?.hint, cause?.effect, cause?.danger,
    ...tablesOf.get(finding).map(({ title }) => title)];
}

function hasWords(text) {
  return (filter.values.text ?? "").toLowerCase().split(/\s+/).every((word) => text.includes(word));
}

/** The path of a finding's image or definition. */
function imageOf(finding) {
  return finding.image === undefined ? finding.source : review.images[finding.image].path;
}

/** Whether a finding matches all but the words. */
function meetsFilter(finding) {
  const { severity, rule, state, danger, purpose, group, image } = filter.values;
  if (state ? (finding.waiver ? "waived" : finding.state) !== state : severity && finding.waiver) return false;
  if (severity && finding.severity !== severity) return false;
  if (rule && finding.rule !== rule) return false;
  if (danger && causes[finding.cause]?.danger !== danger) return false;
  if (image && imageOf(finding) !== image) return false;
  return !(purpose || group) || tablesOf.get(finding).some(({ data }) =>
    (!purpose || data.purpose === purpose) && (!group || data.group === group));
}

function matchesFilter(finding) {
  return meetsFilter(finding) && hasWords(haystack(finding, findingTexts));
}

function tableMatches(table) {
  const { severity, rule, state, danger, purpose, group, image, read } = filter.values;
  if (purpose && table.data.purpose !== purpose) return false;
  if (group && table.data.group !== group) return false;
  if (image && table.image.path !== image) return false;
  if (read && signOff.read.has(table.key) !== (read === "yes")) return false;
  if (severity === "none") return !table.worst && hasWords(haystack(table, tableTexts));
  const own = table.findings.filter(meetsFilter);
  if ((severity || rule || state || danger) && !own.length) return false;
  return hasWords(haystack(table, tableTexts)) || own.some((finding) => hasWords(haystack(finding, findingTexts)));
}

// What is shown

/** Hides what does not match, sorts the rest, and says how many are left. */
function applyFilter() {
  sortItems();
  const shown = [showEntries("mistake"), showEntries("finding"), showTables(), showEntries("waived")];
  const totals = [[causes.length, "mistake"], [filter.entries.finding.length, causes.length ? "other finding" : "finding"],
    [tables.length, "table"], [filter.values.state === "waived" && filter.entries.waived.length, "waived finding"]];
  const parts = totals.map(([total, noun], index) => total && `${shown[index].toLocaleString("en")} of ${count(total, noun)}`);
  const text = parts.filter(Boolean).join(", ");
  const isActive = isFiltered();
  const isEmpty = isActive && !shown.some(Boolean);
  list.status.textContent = isActive ? `${isEmpty ? "Nothing matches " : ""}${filterText()}: ${text} shown.` : "";
  filter.none.hidden = !isActive || shown[0] + shown[1] > 0 || causes.length + filter.entries.finding.length === 0;
  filter.noTable.hidden = !isActive || shown[2] > 0 || !tables.length;
  list.clear.hidden = !isActive;
  list.toggle.classList.toggle("on", isActive);
}

/** The values of the filter for people. */
function filterText() {
  const named = filterNames.filter((name) => name !== "order" && filter.values[name]);
  return named.map((name) => {
    const option = [...(filter.fields[name]?.options ?? [])].find(({ value }) => value === filter.values[name]);
    return option?.textContent ?? filter.values[name];
  }).join(", ");
}

/** Shows the entries of a kind that match, and in each only its findings that match; returns their number. */
function showEntries(kind) {
  let shown = 0;
  for (const entry of filter.entries[kind]) {
    const matching = entry.findings.filter((id) => matchesFilter(review.findings[id]));
    entry.isShown = matching.length > 0;
    shown += entry.isShown;
    entry.item.hidden = !entry.isShown || (kind !== "waived" && !filter.areAllOpen && shown > mostOpenFindings);
    if (kind === "mistake") showBrought(entry, matching);
  }
  if (filter.more && kind === "finding") showMore();
  if (kind === "waived" && filter.waived) {
    filter.waived.hidden = shown === 0;
    if (filter.values.state === "waived") filter.waived.open = true;
  }
  return shown;
}

/** The button for the entries that are too many to show at once. */
function showMore() {
  const hidden = [...filter.entries.mistake, ...filter.entries.finding].filter(({ isShown, item }) => isShown && item.hidden);
  filter.more.hidden = hidden.length === 0;
  filter.more.textContent = `Show ${hidden.length.toLocaleString("en")} more`;
}

function showTables() {
  let shown = 0;
  for (const section of pageState.sections) {
    const isMatch = tableMatches(section.table);
    shown += isMatch;
    section.article.hidden = !isMatch;
    section.link.parentElement.hidden = !isMatch;
  }
  for (const { parts, sections } of filter.groups) {
    const isEmpty = sections.length > 0 && sections.every(({ article }) => article.hidden);
    for (const part of parts) part.hidden = isEmpty;
  }
  return shown;
}

// The order

/** The entries in the order of the filter: that of the document, by name, or by the number of findings. */
function inOrder(entries, name, amount) {
  const collator = inOrder.collator ??= new Intl.Collator("en", { numeric: true });
  if (filter.values.order === "name") return entries.toSorted((first, second) => collator.compare(name(first), name(second)));
  if (filter.values.order === "findings") return entries.toSorted((first, second) => amount(second) - amount(first));
  return entries;
}

/** Puts mistakes, findings and tables into the order of the filter, if that changed. */
function sortItems() {
  const order = filter.values.order ?? "";
  if (filter.order === order) return;
  filter.order = order;
  const placeOf = ({ findings: [id] }) => [imageOf(review.findings[id]), review.findings[id].table ?? ""].join(" ");
  for (const kind of ["mistake", "finding"]) {
    filter.entries[kind] = inOrder(filter.original[kind], placeOf, ({ findings }) => amountOf(findings));
  }
  filter.holder?.append(...filter.entries.mistake.map(({ item }) => item), ...filter.entries.finding.map(({ item }) => item));
  list.order = [];
  for (const group of filter.groups) {
    const sorted = inOrder(group.sections, ({ table }) => table.title, ({ table }) => amountOf(table.findings.map(({ id }) => id)));
    for (const section of sorted) {
      section.article.parentElement.append(section.article);
      section.link.parentElement.parentElement.append(section.link.parentElement);
    }
    list.order.push(...sorted);
  }
}

/** The number of findings, those included that are folded into others. */
function amountOf(ids) {
  return ids.reduce((sum, id) => sum + 1 + (review.findings[id].more ?? 0), 0);
}

// The fields

function drawFilters() {
  const distinct = (pick, items) => [...new Set(items.map(pick).filter(Boolean))].map((text) => [text, text]);
  const rules = distinct(({ rule }) => rule, review.findings).sort(([first], [second]) => (first < second ? -1 : 1));
  const present = (values, pick) => values.filter(([value]) => review.findings.some((finding) => pick(finding) === value));
  const stateOf = (finding) => (finding.waiver ? "waived" : finding.state);
  const choices = {
    severity: ["Severity", [...present(severities.map((severity) => [severity, severity]), ({ severity }) => severity), ["none", "without findings"]], "any", 2],
    rule: ["Rule", rules, "any", 2],
    state: ["State", present([["new", "new"], ["known", "known"], ["waived", "waived"]], stateOf), "any", 2],
    danger: ["Danger", distinct(({ danger }) => danger, causes), "any", 1],
    purpose: ["Purpose", distinct(({ data }) => data.purpose, tables), "any", 2],
    group: ["Group", distinct(({ data }) => data.group, tables), "any", 2],
    image: ["Image", distinct(({ path }) => path, review.images), "any", 2],
    read: ["Reading", [["no", "not read yet"], ["yes", "read"]], "any", tables.length ? 1 : 9],
    order: ["Order", orders, "most dangerous first", 1],
  };
  const labelled = (name, text, input) => {
    filter.fields[name] = input;
    return make("label", {}, make("span", {}, text), input);
  };
  let isTyping = false;
  const text = make("input", {
    type: "search", autocomplete: "off", onblur: () => { isTyping = false; },
    oninput: () => {
      readField("text", isTyping);
      isTyping = true;
    },
  });
  const labels = [labelled("text", "Text", text)];
  for (const [name, [label, options, all, fewest]] of Object.entries(choices)) {
    if (options.length < fewest) continue;
    labels.push(labelled(name, label, make("select", { onchange: () => readField(name) }, make("option", { value: "" }, all),
      ...options.map(([value, word]) => make("option", { value }, word)))));
  }
  return make("div", { class: "filters", id: "~filters", role: "group", "aria-label": "Filter" }, ...labels);
}
