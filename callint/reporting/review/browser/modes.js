// How the reader compares: old values while a key is held, old and new side by side, folded rows, the browser's search.

/** From this width on, old and new values stand side by side. */
const wideWindow = window.matchMedia("(min-width: 1600px)");

/** Shows the old values, or the new ones instead of them, until the key is let go. */
function peek() {
  if (pageState.viewBefore !== undefined) return;
  pageState.viewBefore = pageState.view;
  setView(pageState.view === "old" ? "new" : "old");
}

function endPeek() {
  if (pageState.viewBefore === undefined) return;
  const view = pageState.viewBefore;
  pageState.viewBefore = undefined;
  setView(view);
}

/** Opens or folds the unchanged rows of the table that the keys act on. */
function toggleFolds() {
  const section = currentSection();
  if (!section) return;
  section.draw();
  setCurrent(section);
  section.toggleFolds();
}

/** Puts the old values beside the new ones, if the window is wide and the reader wants it. */
function setBeside() {
  const section = currentSection();
  if (section) keepPosition(section);
  readBeside();
}

function readBeside() {
  pageState.beside = wideWindow.matches && bar.beside.checked;
  pageState.redrawNear();
}

function drawModes() {
  bar.beside = make("input", { type: "checkbox", checked: true, onchange: setBeside });
  return make("label", { class: "tick beside" }, bar.beside, " Side by side");
}

function listenToModes() {
  document.addEventListener("keyup", (event) => {
    if (event.key.toLowerCase() === "o") endPeek();
  });
  // A key that is let go elsewhere is not heard here.
  window.addEventListener("blur", endPeek);
  wideWindow.addEventListener("change", setBeside);
  document.addEventListener("keydown", (event) => {
    const isSearch = event.key === "F3" || ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "f");
    if (isSearch) for (const section of idleSections()) section.draw();
  }, { capture: true });
  readBeside();
}
