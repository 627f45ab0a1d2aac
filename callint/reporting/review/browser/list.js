// The list of tables: what is shown of it, and what has been read.

const list = { links: [] };

function drawList() {
  const nav = document.querySelector("nav.list");
  list.links = [...nav.querySelectorAll(".tables a")];
  list.links.forEach((link, place) => {
    link.addEventListener("click", (event) => {
      event.preventDefault();
      desk.sections[place].show();
    });
    list.links[place].append(make("span", { class: "done" }));
  });
  const { words, purpose, group, severity, unread } = drawFilters();
  list.fields = { words, purpose, group, severity, unread };
  list.told = make("p", { class: "told", role: "status" });
  const bar = make("progress", { max: Math.max(tables.length, 1), value: 0, "aria-label": "Tables read" });
  const progress = make("p", { class: "progress" });
  const signOff = make("a", { href: "#~signing", class: "to-signing", onclick: (event) => {
    event.preventDefault();
    const heading = document.querySelector(".signoff h2");
    heading.tabIndex = -1;
    heading.scrollIntoView({ block: "start" });
    heading.focus({ preventScroll: true });
  } }, "Sign off");
  const filters = make("details", { class: "filters" }, make("summary", {}, "Filter"), words.label,
    purpose.label, group.label, severity.label, unread.label);
  filters.open = window.innerWidth > 900;
  nav.querySelector(".controls").append(make("div", { class: "reading" }, progress, signOff, bar), filters, list.told);
  said.listeners.push(() => {
    progress.textContent = said.progress;
    bar.value = said.done;
    markRead();
    if (unread.input.checked) filterTables();
  });
}

function drawFilters() {
  const labelled = (text, input, kind) => ({ input, label: make("label", { class: kind }, make("span", {}, text), input) });
  const choice = (text, values, all) => {
    const options = values.map(([value, words]) => make("option", { value }, words));
    return labelled(text, make("select", { onchange: filterTables }, make("option", { value: "" }, all), ...options));
  };
  const seen = (pick) => [...new Set(tables.map(pick).filter(Boolean))].map((text) => [text, text]);
  return {
    words: labelled("Words", make("input", { type: "search", oninput: filterTables, autocomplete: "off" })),
    purpose: choice("Purpose", seen(({ data }) => data.purpose), "all purposes"),
    group: choice("Group", seen(({ data }) => data.group), "all groups"),
    severity: choice("Findings", [...severities.map((one) => [one, `with ${one}s`]), ["none", "without"]], "with and without"),
    unread: labelled("Not read yet", make("input", { type: "checkbox", onchange: filterTables }), "tick"),
  };
}

function fits(table) {
  const { words, purpose, group, severity, unread } = list.fields;
  const open = table.findings.filter((finding) => !finding.waiver);
  if (purpose.input.value && table.data.purpose !== purpose.input.value) return false;
  if (group.input.value && table.data.group !== group.input.value) return false;
  if (severity.input.value === "none" && open.length) return false;
  if (severities.includes(severity.input.value) && !open.some((one) => one.severity === severity.input.value)) return false;
  if (unread.input.checked && said.read.has(table.key)) return false;
  const text = [table.title, table.data.name, table.data.group, table.data.summary, table.image.path].join(" ").toLowerCase();
  return words.input.value.toLowerCase().split(/\s+/).every((word) => text.includes(word));
}

function filterTables() {
  let shown = 0;
  desk.sections.forEach((section, place) => {
    const fit = fits(section.table);
    shown += fit;
    section.article.hidden = !fit;
    list.links[place].parentElement.hidden = !fit;
  });
  list.told.textContent = shown === tables.length ? "" : `${shown.toLocaleString("en")} of ${count(tables.length, "table")} shown`;
}

function clearFilter() {
  for (const { input } of Object.values(list.fields)) {
    if (input.type === "checkbox") input.checked = false;
    else input.value = "";
  }
  filterTables();
}

function markRead() {
  tables.forEach((table, place) => {
    const read = said.read.has(table.key);
    const link = list.links[place];
    if (link.classList.toggle("read", read) === (link.lastChild.textContent !== "")) return;
    link.lastChild.replaceChildren(...(read ? [make("span", { "aria-hidden": "true" }, "✓"), aside(", read")] : []));
  });
}

function markInList(section) {
  for (const link of list.links) link.removeAttribute("aria-current");
  const link = list.links[desk.sections.indexOf(section)];
  link.setAttribute("aria-current", "true");
  const box = link.closest("nav");
  // The list alone is scrolled, and only where it scrolls for itself.
  const [inside, around] = [link.getBoundingClientRect(), box.getBoundingClientRect()];
  if (box.scrollHeight > box.clientHeight && (inside.top < around.top || inside.bottom > around.bottom)) {
    box.scrollTop += inside.top - around.top - box.clientHeight / 2;
  }
}
