// Moving through many tables by keyboard, and the bar that does the same by pointer.

const keys = {
  n: ["next changed cell", () => stepChange(1)],
  p: ["previous changed cell", () => stepChange(-1)],
  f: ["next finding", () => stepFinding(1)],
  F: ["previous finding", () => stepFinding(-1)],
  j: ["next table", () => stepTable(1)],
  k: ["previous table", () => stepTable(-1)],
  v: ["next view: new, old, change", () => setView(views[(views.indexOf(desk.view) + 1) % views.length])],
  t: ["logged time in the cells", () => setTimes(!desk.times)],
  r: ["tick the table as read, or not", () => tick()],
  m: ["write a remark on the table", () => remark()],
  "/": ["filter the list by words", () => toFilter()],
  "?": ["these keys", () => showKeys()],
};
const bar = {};

/** The sections that the filter shows, in their order. */
function shown() {
  return desk.sections.filter((section) => !section.article.hidden);
}

/** Whether some of a section is in sight. */
function isSeen(section) {
  const { top, bottom } = section.article.getBoundingClientRect();
  return bottom > bar.element.offsetHeight + 40 && top < window.innerHeight - 40;
}

/** The section that is looked at: the one that the list highlights, or else the first that can be seen. */
function here() {
  if (desk.current && !desk.current.article.hidden) return desk.current;
  return shown().find(isSeen);
}

/** A reader who scrolls away from the current section takes the highlight along. */
function followReader() {
  if (!desk.current || desk.held || (!desk.current.article.hidden && isSeen(desk.current))) return;
  const seen = shown().find(isSeen);
  if (seen) setCurrent(seen);
}

function stepTable(way) {
  const all = shown();
  const from = here();
  const place = from ? all.indexOf(from) : -1;
  // The first step leads to the table itself, where nobody has been at it yet.
  const notYet = from && from !== desk.current && way > 0;
  all[Math.max(0, notYet ? place : place + way)]?.show();
}

function stepChange(way) {
  const all = shown().filter((section) => section.table.changed.length);
  const from = here() ?? all[0];
  if (!from) return;
  const current = from.touched ? from.chosen : way > 0 ? -1 : from.table.size;
  const cells = from.table.changed;
  const next = way > 0 ? cells.find((cell) => cell > current) : cells.findLast((cell) => cell < current);
  if (next !== undefined) {
    reach(from, next);
    return;
  }
  const place = shown().indexOf(from);
  const other = way > 0 ? all.find((one) => shown().indexOf(one) > place)
    : all.findLast((one) => shown().indexOf(one) < place);
  if (other) reach(other, other.table.changed.at(way > 0 ? 0 : -1));
}

function reach(section, cell) {
  if (section !== here()) section.show({ focus: false, link: false });
  section.choose(cell, { focus: true });
}

function stepFinding(way) {
  const amount = review.findings.length;
  if (!amount) return;
  const from = inOrder.findIndex(({ id }) => id === desk.finding);
  const next = from < 0 ? (way > 0 ? 0 : amount - 1) : (from + way + amount) % amount;
  showFinding(inOrder[next].id);
}

function setView(view) {
  desk.view = view;
  for (const input of bar.views) input.checked = input.value === view;
  desk.refresh();
}

function setTimes(on) {
  if (!bar.times) return;
  desk.times = on;
  bar.times.checked = on;
  desk.refresh();
}

function tick() {
  const section = here();
  if (!section) return;
  section.draw();
  setCurrent(section);
  section.article.querySelector(".signing input").click();
}

function remark() {
  const section = here();
  if (!section) return;
  section.draw();
  setCurrent(section);
  section.article.querySelector(".signing textarea").focus();
}

function toFilter() {
  const { input } = list.fields.words;
  input.closest("details").open = true;
  input.focus();
}

// The bar

function drawBar() {
  bar.element = document.querySelector("main > .toolbar");
  bar.views = views.map((view) => make("input", {
    type: "radio", name: "~view", value: view, checked: view === desk.view, onchange: () => setView(view),
  }));
  const words = { new: "New", old: "Old", change: "Change" };
  const choice = make("fieldset", { class: "views" }, make("legend", { class: "aside" }, "View"),
    ...bar.views.map((input) => make("label", {}, input, make("span", {}, words[input.value]))));
  bar.element.append(choice);
  if (tables.some((table) => table.data.logged)) {
    bar.times = make("input", { type: "checkbox", onchange: () => setTimes(bar.times.checked) });
    bar.element.append(make("label", { class: "tick" }, bar.times, " Logged time"));
  }
  const step = (key, word, sign) => make("button", {
    type: "button", "aria-label": `${word[0].toUpperCase()}${word.slice(1)}`, title: `${word} (${key})`,
    onclick: () => keys[key][1](),
  }, sign);
  const pair = (word, back, forth) => make("div", { class: "steps", role: "group", "aria-label": word },
    step(back, keys[back][0], "‹"), make("span", { "aria-hidden": "true" }, word), step(forth, keys[forth][0], "›"));
  bar.element.append(pair("change", "p", "n"), ...(review.findings.length ? [pair("finding", "F", "f")] : []),
    pair("table", "k", "j"), make("button", { type: "button", class: "help", onclick: showKeys }, "Keys"));
  bar.told = make("p", { class: "told", role: "status" });
  bar.element.append(bar.told);
  const signs = [["raised", "raised"], ["lowered", "lowered"], ["switched", "changed otherwise"]];
  const legend = signs.map(([way, word]) => make("span", {}, mark(way), word));
  legend.push(make("span", {}, make("span", { class: "sample framed", "aria-hidden": "true" }), "operating range"),
    make("span", {}, make("span", { class: "sample off", "aria-hidden": "true" }), "switched off"));
  const measure = () => document.documentElement.style.setProperty("--bar", `${bar.element.offsetHeight}px`);
  new ResizeObserver(measure).observe(bar.element);
  bar.element.after(make("p", { class: "legend" }, ...legend));
}

// The keys

const keysPlace = "callint-review-keys";

function keysWork() {
  try {
    return window.localStorage.getItem(keysPlace) !== "off";
  } catch {
    return true;
  }
}

function drawKeys() {
  const heading = make("h2", { id: fresh("keys") }, "Keys");
  const input = make("input", {
    type: "checkbox", checked: bar.keysWork,
    onchange: () => {
      bar.keysWork = input.checked;
      try {
        window.localStorage.setItem(keysPlace, input.checked ? "on" : "off");
      } catch {
        // It holds until the page is closed.
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

function listenToKeys() {
  bar.keysWork = keysWork();
  document.addEventListener("scroll", followReader, { passive: true });
  drawKeys();
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented || bar.dialog.open) return;
    if (event.target.closest?.("textarea, select, input:not([type=checkbox]):not([type=radio])")) return;
    const action = keys[event.key];
    if (!action || !(bar.keysWork || event.key === "?")) return;
    event.preventDefault();
    action[1]();
  });
}
