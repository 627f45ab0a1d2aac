// The start of the page.

/** Draws every table with its new values before the page is printed. */
function preparePrinting() {
  let viewBefore = pageState.view;
  window.addEventListener("beforeprint", () => {
    viewBefore = pageState.view;
    setView("new");
    drawAll();
    for (const item of pageState.findingItems) item.closest("details")?.setAttribute("open", "");
  });
  window.addEventListener("afterprint", () => setView(viewBefore));
}

signOff.load();
watchSections();
drawList();
drawBar();
drawFindings();
drawAcceptances();
const signing = drawSignOff();
signing.id = "~signing";
document.querySelector("main").append(signing);
listenToKeys();
listenToModes();
preparePrinting();
applyFilter();
for (const listener of signOff.listeners) listener();
followHistory();
followAddress(false);
document.documentElement.classList.add("ready");
