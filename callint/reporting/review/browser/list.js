// The list of tables: its filters, and which tables have been read.

const list = { links: [] };

function drawList() {
  const nav = document.querySelector("nav.list");
  list.links = [...nav.querySelectorAll(".tables a")];
  list.links.forEach((link, index) => {
    link.addEventListener("click", (event) => {
      event.preventDefault();
      pageState.sections[index].show();
    });
    list.links[index].append(make("span", { class: "done" }));
  });
  const { words, purpose, group, severity, unread } = drawFilters();
  list.fields = { words, purpose, group, severity, unread };
  list.status = make("p", { class: "status", role: "status" });
  const bar = make("progress", { max: Math.max(tables.length, 1), value: 0, "aria-label": "Tables read" });
  const progress = make("p", { class: "progress" });
  const signOffLink = make("a", { href: "#~signing", class: "to-signing", onclick: (event) => {
    event.preventDefault();
    const heading = document.querySelector(".signoff h2");
    heading.tabIndex = -1;
    heading.scrollIntoView({ block: "start" });
    heading.focus({ preventScroll: true });
  } }, "Sign off");
  const filters = make("details", { class: "filters" }, make("summary", {}, "Filter"), words.label,
    purpose.label, group.label, severity.label, unread.label);
  filters.open = window.innerWidth > 900;
  nav.querySelector(".controls").append(make("div", { class: "reading" }, progress, signOffLink, bar), filters, list.status);
  signOff.listeners.push(() => {
    progress.textContent = signOff.progress;
    bar.value = signOff.readCount;
    markRead();
    if (unread.input.checked) filterTables();
  });
}

function drawFilters() {
  const labelled = (text, input, kind) => ({ input, label: make("label", { class: kind }, make("span", {}, text), input) });
  const choice = (text, values, all) => {
    const options = values.map(([value, label]) => make("option", { value }, label));
    return labelled(text, make("select", { onchange: filterTables }, make("option", { value: "" }, all), ...options));
  };
  const distinct = (pick) => [...new Set(tables.map(pick).filter(Boolean))].map((text) => [text, text]);
  return {
    words: labelled("Words", make("input", { type: "search", oninput: filterTables, autocomplete: "off" })),
    purpose: choice("Purpose", distinct(({ data }) => data.purpose), "all purposes"),
    group: choice("Group", distinct(({ data }) => data.group), "all groups"),
    severity: choice("Findings", [...severities.map((severity) => [severity, `with ${severity}s`]), ["none", "without"]], "with and without"),
    unread: labelled("Not read yet", make("input", { type: "checkbox", onchange: filterTables }), "tick"),
  };
}

function matchesFilter(table) {
  const { words, purpose, group, severity, unread } = list.fields;
  const open = table.findings.filter((finding) => !finding.waiver);
  if (purpose.input.value && table.data.purpose !== purpose.input.value) return false;
  if (group.input.value && table.data.group !== group.input.value) return false;
  if (severity.input.value === "none" && open.length) return false;
  if (severities.includes(severity.input.value) && !open.some((finding) => finding.severity === severity.input.value)) return false;
  if (unread.input.checked && signOff.read.has(table.key)) return false;
  const text = [table.title, table.data.name, table.data.group, table.data.summary, table.image.path].join(" ").toLowerCase();
  return words.input.value.toLowerCase().split(/\s+/).every((word) => text.includes(word));
}

function filterTables() {
  let visibleCount = 0;
  pageState.sections.forEach((section, index) => {
    const isMatch = matchesFilter(section.table);
    visibleCount += isMatch;
    section.article.hidden = !isMatch;
    list.links[index].parentElement.hidden = !isMatch;
  });
  list.status.textContent = visibleCount === tables.length ? "" : `${visibleCount.toLocaleString("en")} of ${count(tables.length, "table")} shown`;
}

function clearFilter() {
  for (const { input } of Object.values(list.fields)) {
    if (input.type === "checkbox") input.checked = false;
    else input.value = "";
  }
  filterTables();
}

function markRead() {
  tables.forEach((table, index) => {
    const read = signOff.read.has(table.key);
    const link = list.links[index];
    if (link.classList.toggle("read", read) === (link.lastChild.textContent !== "")) return;
    link.lastChild.replaceChildren(...(read ? [make("span", { "aria-hidden": "true" }, "✓"), spokenText(", read")] : []));
  });
}

function markInList(section) {
  for (const link of list.links) link.removeAttribute("aria-current");
  const link = list.links[pageState.sections.indexOf(section)];
  link.setAttribute("aria-current", "true");
  const box = link.closest("nav");
  // Only the list is scrolled, and only if it has its own scroll bar.
  const [inside, around] = [link.getBoundingClientRect(), box.getBoundingClientRect()];
  if (box.scrollHeight > box.clientHeight && (inside.top < around.top || inside.bottom > around.bottom)) {
    box.scrollTop += inside.top - around.top - box.clientHeight / 2;
  }
}
