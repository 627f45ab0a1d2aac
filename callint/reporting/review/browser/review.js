// The start of the page.

/** Goes to the finding, table or cell in the page's address. */
function followLink() {
  let link = window.location.hash.slice(1);
  try {
    link = decodeURIComponent(link);
  } catch {
    // The address is not from this page.
  }
  bar.status.textContent = "";
  const finding = /^finding-(\d+)$/.exec(link);
  const [, key, x, y] = /^(.*?)(?:\/(\d+),(\d+))?$/s.exec(link);
  const section = pageState.sections.find(({ table }) => table.key === key)
    ?? pageState.sections.find(({ table }) => `${table.image.id}.${table.data.name}` === key);
  if (!section) {
    const isKnown = link === "" || document.getElementById(link) || (finding && showFinding(Number(finding[1])));
    if (!isKnown) bar.status.textContent = "This link names nothing here.";
    return;
  }
  if (section.article.hidden) clearFilter();
  const isCell = x !== undefined && section.table.has(Number(x), Number(y));
  if (x !== undefined && !isCell) bar.status.textContent = "This link names no cell of this table.";
  section.show({ focus: !isCell, link: false });
  if (isCell) section.choose(section.table.cell(Number(x), Number(y)), { focus: true, link: false });
}

signOff.load();
watchSections();
drawList();
drawBar();
drawFindings();
document.querySelector("main").append(drawSignOff());
listenToKeys();
preparePrinting();
for (const listener of signOff.listeners) listener();
window.addEventListener("hashchange", followLink);
followLink();
document.documentElement.classList.add("ready");
