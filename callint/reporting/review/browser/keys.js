// Moving through many tables with the keyboard, and the toolbar for the same with a pointer.

const keys = {
  n: ["next changed cell", () => stepChange(1)],
  p: ["previous changed cell", () => stepChange(-1)],
  f: ["next mistake or finding", () => stepFinding(1)],
  F: ["previous mistake or finding", () => stepFinding(-1)],
  j: ["next table", () => stepTable(1)],
  k: ["previous table", () => stepTable(-1)],
  u: ["next table that is not read", () => stepUnread()],
  v: ["next view: new, old, change", () => setView(views[(views.indexOf(pageState.view) + 1) % views.length])],
  o: ["old values as long as the key is held", () => peek()],
  e: ["open or fold the unchanged rows of the table", () => toggleFolds()],
  t: ["logged time in the cells", () => setTimes(!pageState.times)],
  r: ["tick the table as read, or not", () => toggleRead()],
  m: ["write a remark on the table", () => focusRemark()],
  "/": ["filter mistakes, findings and tables", () => focusFilter()],
  "?": ["these keys", () => showKeys()],
};
const bar = {
  /** The height that a message adds to the bar, as soon as there was one. */
  statusRoom: 0,
  widths: { narrow: window.matchMedia("(max-width: 900px)"), phone: window.matchMedia("(max-width: 520px)") },

  /** Says something in the bar, which stays in view. */
  say(text) {
    if (bar.status.textContent === text) return;
    bar.status.textContent = text;
    setBarHeight();
  },
};

/** The sections that the filter shows, in order. */
function visibleSections() {
  return list.order.filter((section) => !section.article.hidden);
}

/** Whether a part of a section is in view. */
function isInView(section) {
  const { top, bottom } = section.article.getBoundingClientRect();
  return bottom > bar.element.offsetHeight + 40 && top < window.innerHeight - 40;
}

/**
 * Whether the reader looks at a section: its focused part is in view, or two fifths of it, or it fills two fifths
 * of the window. Of two sections around the middle of the window, one always does.
 */
function isLookedAt(section) {
  const { article } = section;
  const upper = bar.element.offsetHeight;
  const visible = ({ top, bottom }) => Math.min(bottom, window.innerHeight) - Math.max(top, upper);
  const focused = document.activeElement;
  if (focused !== article && article.contains(focused) && visible(focused.getBoundingClientRect()) > 0) return true;
  const area = article.getBoundingClientRect();
  return visible(area) >= 0.4 * Math.min(area.height, window.innerHeight - upper);
}

/** The section that the list highlights, or the first one in view. */
function currentSection() {
  if (pageState.current && !pageState.current.article.hidden) return pageState.current;
  return visibleSections().find(isInView);
}

/** Moves the highlight when the current section leaves the reader's view. */
function followView() {
  if (!pageState.current || pageState.held || (!pageState.current.article.hidden && isLookedAt(pageState.current))) return;
  const visible = visibleSections().find(isLookedAt);
  if (visible) setCurrent(visible);
}

function stepTable(step) {
  bar.say("");
  const sections = visibleSections();
  const from = currentSection();
  const index = from ? sections.indexOf(from) : -1;
  // The first step leads to the table in view if nobody has visited it yet.
  const isUnvisited = from && from !== pageState.current && step > 0;
  sections[Math.max(0, isUnvisited ? index : index + step)]?.show();
}

function stepChange(step) {
  bar.say("");
  const sections = visibleSections().filter((section) => section.table.changed.length);
  const from = currentSection() ?? sections[0];
  if (!from) return;
  const current = from.isVisited ? from.chosen : step > 0 ? -1 : from.table.size;
  const cells = from.table.changed;
  const next = step > 0 ? cells.find((cell) => cell > current) : cells.findLast((cell) => cell < current);
  if (next !== undefined) {
    goToCell(from, next);
    return;
  }
  const index = visibleSections().indexOf(from);
  const other = step > 0 ? sections.find((section) => visibleSections().indexOf(section) > index)
    : sections.findLast((section) => visibleSections().indexOf(section) < index);
  if (other) goToCell(other, other.table.changed.at(step > 0 ? 0 : -1));
}

function goToCell(section, cell) {
  setLink(`${section.table.key}/${section.table.at(cell).join(",")}`);
  if (section !== currentSection()) section.show({ focus: false, link: false });
  section.choose(cell, { focus: true });
}

/** What the filter shows in the list: each mistake, then each finding that belongs to none. */
function stops() {
  return [...filter.entries.mistake, ...filter.entries.finding].filter(({ isShown }) => isShown);
}

function stepFinding(step) {
  const shown = stops();
  const amount = shown.length;
  if (!amount) {
    bar.say(review.findings.length && isFiltered() ? "No mistake or open finding matches the filter." : "There is no open finding.");
    return;
  }
  const from = shown.findIndex(({ findings }) => findings.includes(pageState.finding));
  const next = from < 0 ? (step > 0 ? 0 : amount - 1) : (from + step + amount) % amount;
  const mistakes = shown.filter(({ summary }) => summary).length;
  const [name, position, all] = next < mistakes ? ["Mistake", next + 1, mistakes] : ["Finding", next + 1 - mistakes, amount - mistakes];
  bar.say(`${name} ${position} of ${all}${isFiltered() ? " shown" : ""}: ${sentence(shown[next].title)}`);
  showFinding(shown[next].findings.find((id) => !pageState.findingItems[id].hidden) ?? shown[next].findings[0]);
}

function setView(view) {
  pageState.view = view;
  for (const input of bar.views) input.checked = input.value === view;
  pageState.redrawNear();
}

function setTimes(on) {
  if (!bar.times) return;
  pageState.times = on;
  bar.times.checked = on;
  pageState.redrawNear();
}

/** Ticks the current table if the reader looks at it. */
function toggleRead() {
  const section = currentSection();
  if (!section || !isLookedAt(section)) {
    bar.status.textContent = "No table is in view: nothing was ticked.";
    return;
  }
  section.draw();
  setCurrent(section);
  const input = section.article.querySelector(".signing input");
  input.click();
  bar.status.textContent = `${section.table.title}: ${input.checked ? "read" : "not read"}.`;
}

function focusRemark() {
  const section = currentSection();
  if (!section) return;
  section.draw();
  setCurrent(section);
  section.article.querySelector(".signing textarea").focus();
}

function focusFilter() {
  openFilters(true);
  filter.fields.text.focus();
}

// The bar

function drawBar() {
  bar.element = document.querySelector("main > .toolbar");
  bar.views = views.map((view) => make("input", {
    type: "radio", name: "~view", value: view, checked: view === pageState.view, onchange: () => setView(view),
  }));
  const labels = { new: "New", old: "Old", change: "Change" };
  bar.choice = make("fieldset", { class: "views" }, make("legend", { class: "aside" }, "View"),
    ...bar.views.map((input) => make("label", {}, input, make("span", {}, labels[input.value]))));
  if (tables.some((table) => table.data.logged)) {
    bar.times = make("input", { type: "checkbox", onchange: () => setTimes(bar.times.checked) });
  }
  const times = bar.times ? make("label", { class: "tick" }, bar.times, " Logged time") : "";
  bar.settings = make("div", { class: "settings" }, bar.choice, drawModes(), times);
  const stepButton = (key, word, symbol) => make("button", {
    type: "button", "aria-label": `${word[0].toUpperCase()}${word.slice(1)}`, title: `${word} (${key})`,
    onclick: () => keys[key][1](),
  }, symbol);
  const pair = (word, backKey, forwardKey) => make("div", { class: "steps", role: "group", "aria-label": word },
    stepButton(backKey, keys[backKey][0], "‹"), make("span", { "aria-hidden": "true" }, word),
    stepButton(forwardKey, keys[forwardKey][0], "›"));
  bar.help = make("button", { type: "button", class: "help", onclick: showKeys }, "Keys");
  bar.status = make("p", { class: "status", role: "status" });
  bar.element.append(...(review.findings.length ? [pair(causes.length ? "mistake" : "finding", "F", "f")] : []),
    pair("change", "p", "n"), pair("table", "k", "j"), bar.help, bar.status);
  for (const query of Object.values(bar.widths)) query.addEventListener("change", arrange);
  arrange();
  const legendEntries = [["raised", "raised"], ["lowered", "lowered"], ["switched", "changed otherwise"]];
  const legend = legendEntries.map(([direction, word]) => make("span", {}, drawMark(direction), word));
  legend.push(make("span", {}, make("span", { class: "sample framed", "aria-hidden": "true" }), "operating range"),
    make("span", {}, make("span", { class: "sample off", "aria-hidden": "true" }), "switched off"));
  new ResizeObserver(setBarHeight).observe(bar.element);
  bar.element.after(make("p", { class: "legend" }, ...legend));
}

/** Where the filter and the view stand: they stay in view in every window. */
function arrange() {
  const { narrow, phone } = bar.widths;
  const filters = [list.toggle, list.panel, list.outcome];
  if (narrow.matches) bar.status.before(...filters);
  else list.controls.append(...filters);
  if (phone.matches) {
    list.panel.prepend(bar.settings);
    list.panel.append(bar.help);
  } else {
    bar.element.prepend(bar.settings);
    bar.status.before(bar.help);
  }
  openFilters(!narrow.matches);
  setBarHeight();
}

/** Tells the styles how high the bar is. Every element inherits that, so a change of it styles the whole page anew. */
function setBarHeight() {
  const { element, status } = bar;
  // The room for a message stays when the message goes: the next one comes soon.
  if (status.offsetHeight) bar.statusRoom = status.offsetHeight + parseFloat(getComputedStyle(element).rowGap);
  const height = `${element.offsetHeight + (status.offsetHeight ? 0 : bar.statusRoom)}px`;
  const { style } = document.documentElement;
  if (style.getPropertyValue("--bar") !== height) style.setProperty("--bar", height);
}

// The keys

const keysStorageKey = "callint-review-keys";

function storedKeysSetting() {
  try {
    return window.localStorage.getItem(keysStorageKey) !== "off";
  } catch {
    return true;
  }
}

function drawKeys() {
  const heading = make("h2", { id: uniqueId("keys") }, "Keys");
  const input = make("input", {
    type: "checkbox", checked: bar.areKeysOn,
    onchange: () => {
      bar.areKeysOn = input.checked;
      try {
        window.localStorage.setItem(keysStorageKey, input.checked ? "on" : "off");
      } catch {
        // The setting lasts until the page is closed.
      }
    },
  });
  const rows = Object.entries(keys).map(([key, [word]]) =>
    make("div", {}, make("dt", {}, make("kbd", {}, key)), make("dd", {}, word)));
  rows.push(make("div", {}, make("dt", {}, make("kbd", {}, "← ↑ → ↓")), make("dd", {}, "in a grid: the next cell; on a surface: turn it")));
  const close = make("button", { type: "button", onclick: () => bar.dialog.close() }, "Close");
  bar.dialog = make("dialog", { "aria-labelledby": heading.id }, heading, make("dl", {}, ...rows),
    make("label", { class: "tick" }, input, " Single keys work"), close);
  document.body.append(bar.dialog);
}

function showKeys() {
  bar.dialog.showModal();
}

/** Enter and Escape leave a field of the filter, so that single keys work again; Escape clears the filter. */
function leaveFilter({ key, target }) {
  const isField = list.panel.contains(target) && target.matches("input, select");
  if (key === "Escape" && isFiltered() && !target.closest?.("textarea")) clearFilter();
  if (isField && (key === "Escape" || key === "Enter")) target.blur();
}

function listenToKeys() {
  bar.areKeysOn = storedKeysSetting();
  document.addEventListener("scroll", followView, { passive: true });
  // A section that is drawn grows, and pushes others away, without any scrolling.
  new ResizeObserver(followView).observe(document.querySelector("main"));
  drawKeys();
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented || bar.dialog.open) return;
    leaveFilter(event);
    if (event.target.closest?.("textarea, select, input:not([type=checkbox]):not([type=radio])")) return;
    const action = keys[event.key];
    if (!action || !(bar.areKeysOn || event.key === "?")) return;
    event.preventDefault();
    action[1]();
  });
}
