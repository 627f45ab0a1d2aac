// The start of the page.

/** Goes where the page's address leads: a finding, a table, or a cell of it. */
function followLink() {
  let link = window.location.hash.slice(1);
  try {
    link = decodeURIComponent(link);
  } catch {
    // Then it is none of the page's.
  }
  bar.told.textContent = "";
  const finding = /^finding-(\d+)$/.exec(link);
  const [, key, x, y] = /^(.*?)(?:\/(\d+),(\d+))?$/s.exec(link);
  const section = desk.sections.find(({ table }) => table.key === key)
    ?? desk.sections.find(({ table }) => `${table.image.id}.${table.data.name}` === key);
  if (!section) {
    const isKnown = link === "" || document.getElementById(link) || (finding && showFinding(Number(finding[1])));
    if (!isKnown) bar.told.textContent = "This link names nothing here.";
    return;
  }
  if (section.article.hidden) clearFilter();
  const isCell = x !== undefined && section.table.has(Number(x), Number(y));
  if (x !== undefined && !isCell) bar.told.textContent = "This link names no cell of this table.";
  section.show({ focus: !isCell, link: false });
  if (isCell) section.choose(section.table.cell(Number(x), Number(y)), { focus: true, link: false });
}

/** On paper stands every table, with its new values. */
function printAll() {
  let before = desk.view;
  window.addEventListener("beforeprint", () => {
    before = desk.view;
    setView("new");
    drawAll();
    for (const item of desk.findingItems) item.closest("details")?.setAttribute("open", "");
  });
  window.addEventListener("afterprint", () => setView(before));
}

said.load();
watchSections();
drawList();
drawBar();
drawFindings();
document.querySelector("main").append(drawSignOff());
listenToKeys();
printAll();
for (const listener of said.listeners) listener();
window.addEventListener("hashchange", followLink);
followLink();
document.documentElement.classList.add("ready");
