// The list of tables: which of them have been read, which is the next; and where the filter stands.

const list = { links: [], order: [] };

function drawList() {
  const nav = document.querySelector("nav.list");
  list.links = [...nav.querySelectorAll(".tables a")];
  list.order = [...pageState.sections];
  pageState.sections.forEach((section, index) => {
    section.link = list.links[index];
    section.link.append(make("span", { class: "done" }));
  });
  list.panel = drawFilters();
  list.toggle = make("button", {
    type: "button", class: "toggle", "aria-expanded": "false", "aria-controls": list.panel.id, onclick: () => openFilters(list.panel.hidden),
  }, "Filter");
  list.status = make("p", { class: "status", role: "status" });
  list.clear = make("button", { type: "button", class: "clear", hidden: true, title: "clear the filter (Escape)", onclick: () => clearFilter() },
    "Clear filter");
  list.outcome = make("div", { class: "outcome" }, list.status, list.clear);
  const bar = make("progress", { max: Math.max(tables.length, 1), value: 0, "aria-label": "Tables read" });
  const progress = make("p", { class: "progress" });
  const next = make("button", { type: "button", title: "next unread table (u)", onclick: () => stepUnread() }, "Next unread");
  const signOffLink = make("a", { href: "#~signing", class: "to-signing" }, "Sign off");
  list.controls = nav.querySelector(".controls");
  list.controls.append(make("div", { class: "reading" }, progress, signOffLink, bar, tables.length ? next : ""));
  findGroups(nav);
  signOff.listeners.push(() => {
    progress.textContent = signOff.progress;
    bar.value = signOff.readCount;
    markRead();
    if (filter.values.read) applyFilter();
  });
}

/** The parts of the page that belong to the tables of one image. */
function findGroups(nav) {
  const lists = [...nav.querySelectorAll("ol.tables")];
  filter.groups = [];
  for (const section of pageState.sections) {
    const holder = section.article.parentElement;
    let group = filter.groups.find((known) => known.holder === holder);
    if (!group) {
      const [own] = lists.filter((candidate) => candidate.contains(section.link));
      const name = own.previousElementSibling?.matches(".path") ? [own.previousElementSibling] : [];
      group = { holder, sections: [], parts: hasSeveralImages ? [holder, own, ...name] : [] };
      filter.groups.push(group);
    }
    group.sections.push(section);
  }
}

/** Opens or folds the fields of the filter. */
function openFilters(isOpen) {
  list.panel.hidden = !isOpen;
  list.toggle.setAttribute("aria-expanded", String(isOpen));
}

/** Goes to the next table that is shown and not read, after the last one from the top again. */
function stepUnread() {
  const sections = visibleSections();
  const from = sections.indexOf(currentSection());
  const unread = [...sections.slice(from + 1), ...sections.slice(0, from + 1)].find(({ table }) => !signOff.read.has(table.key));
  if (unread) unread.show();
  bar.say(unread ? "" : isFiltered() ? "Every table that is shown is read." : "Every table is read.");
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
  const { link } = section;
  link.setAttribute("aria-current", "true");
  const box = link.closest(".tables").scrollHeight > link.closest(".tables").clientHeight ? link.closest(".tables") : link.closest("nav");
  // Only the list is scrolled, and only if it has its own scroll bar.
  const [inside, around] = [link.getBoundingClientRect(), box.getBoundingClientRect()];
  if (box.scrollHeight > box.clientHeight && (inside.top < around.top || inside.bottom > around.bottom)) {
    box.scrollTop += inside.top - around.top - box.clientHeight / 2;
  }
}
