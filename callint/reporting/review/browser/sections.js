// A section for each changed table. Its grid and pictures are drawn when it comes near the window.

/** The state of the whole page. */
const pageState = { view: "new", times: false, current: undefined, sections: [] };

/** The tasks that run when the browser is idle. */
const idleTasks = [];
function whenIdle(task) {
  idleTasks.push(task);
  if (idleTasks.length > 1) return;
  const schedule = window.requestIdleCallback ?? ((run) => setTimeout(run, 16));
  const runNext = () => {
    idleTasks[0]();
    idleTasks.shift();
    if (idleTasks.length) schedule(runNext);
  };
  schedule(runNext);
}

/** The width of a bold digit of the page's font, relative to the font size. */
function digitWidth() {
  const context = document.createElement("canvas").getContext("2d");
  context.font = `bold 100px ${getComputedStyle(document.body).fontFamily}`;
  return context.measureText("0").width / 100;
}

class Section {
  constructor(article, table) {
    this.article = article;
    this.table = table;
    this.chosen = table.first;
    table.section = this;
    this.rest = article.querySelector(".rest");
    // A reader who ticks, writes or clicks in a table is at that table.
    article.addEventListener("focusin", () => setCurrent(this));
    // The approximate final height, so that the page does not jump when the section is drawn.
    const rows = Math.min(table.data.ny, 40) * 27 + (table.isPlottable ? pictureHeights[table.data.kind] : 0) + table.findings.length * 70 + 300;
    article.style.setProperty("--height", `${rows}px`);
  }

  get isDrawn() {
    return this.grid !== undefined;
  }

  /** Whether the section shows the current view. */
  get isUpToDate() {
    return this.drawnState === `${pageState.view} ${pageState.times}`;
  }

  draw() {
    if (!this.isDrawn) this.drawFirst();
    else if (!this.isUpToDate) this.drawGrid();
  }

  drawFirst() {
    const { table } = this;
    const details = make("div", { class: "details", "aria-live": "polite", role: "group", "aria-label": "Details of the cell" });
    this.details = details;
    this.scroll = make("div", {
      class: "scroll", onfocusin: (event) => this.onFocus(event), onclick: (event) => this.onFocus(event),
      onmouseover: (event) => this.onHover(event), onmouseleave: () => this.showDetails(this.chosen),
      onkeydown: (event) => this.onKey(event),
    });
    this.pictureRoom = table.isPlottable ? make("div", { class: `pictures undrawn is-${table.data.kind}` }) : "";
    const gridSide = make("div", { class: "grid-side" }, this.scroll, details);
    this.rest.append(...this.drawNotes(), make("div", { class: "beside" }, gridSide, this.pictureRoom), ...this.findings(), drawSigning(table));
    this.setPrintSize();
    this.drawGrid();
    whenIdle(() => {
      this.scrollToChosen();
      this.drawPictures();
    });
  }

  drawNotes() {
    const { logged, notes } = this.table.data;
    const never = logged?.never ? `; ${count(logged.never, "changed cell")} never reached` : "";
    const time = logged && make("p", { class: "logged" }, `Changed cells are in use for ${logged.share} of the logged time${never}.`);
    const range = operatingRangeText(this.table);
    return [...(time ? [time] : []), ...notes.map((note) => make("p", { class: "table-note" }, note)),
      ...(range ? [make("p", { class: "table-note" }, range)] : [])];
  }

  /** Scrolls the chosen cell into view if the grid is wider than the window. */
  scrollToChosen() {
    const { scroll } = this;
    if (scroll.scrollWidth <= scroll.clientWidth || scroll.scrollLeft) return;
    const td = this.td(this.chosen);
    if (td.offsetLeft + td.offsetWidth > scroll.clientWidth) scroll.scrollLeft = td.offsetLeft - scroll.clientWidth / 2;
  }

  /** Draws the grid in the current view. */
  drawGrid() {
    this.drawnState = `${pageState.view} ${pageState.times}`;
    const focused = this.scroll.contains(document.activeElement);
    this.grid = drawGrid(this.table, pageState.view, this.chosen, pageState.times);
    this.scroll.replaceChildren(this.grid);
    this.detailedCell = undefined;
    this.showDetails(this.chosen);
    this.pictures?.showTimes();
    if (focused) this.td(this.chosen).focus({ preventScroll: true });
  }

  drawPictures() {
    if (this.pictures || !this.table.isPlottable) return;
    this.pictures = new Pictures(this.table, this.chosen);
    this.pictureRoom.replaceWith(this.pictures.element);
  }

  findings() {
    const { findings } = this.table;
    if (!findings.length) return [];
    const heading = make("h4", {}, findings.length === 1 ? "Finding" : "Findings");
    return [make("section", { class: "own" }, heading, make("ul", {}, ...findings.map((finding) => drawFinding(finding, this))))];
  }

  /** Sets the font size for printing, small enough for a wide table to fit. */
  setPrintSize() {
    const { data } = this.table;
    const digit = digitWidth();
    // Relative to the font size: a cell has its digits, padding, a mark and the letter of a finding.
    let width = Math.max(data.y ? 7 : 10, ...this.table.breakpoints("y").map((text) => text.length)) * digit + 0.6;
    for (let x = 0; x < data.nx; x += 1) {
      let widest = data.x ? this.table.breakpoint("x", x).length * digit : 0;
      for (let y = 0; y < data.ny; y += 1) {
        const cell = this.table.cell(x, y);
        // A decimal point is about half as wide as a digit.
        const [length] = [this.table.new(cell), this.table.old(cell)].map((text) => text.length - text.includes(".") / 2)
          .sort((first, second) => second - first);
        widest = Math.max(widest, length * digit + (this.table.findingsByCell.has(cell) ? 1.2 : 0));
      }
      width += widest + 1.25;
    }
    // A sheet is 520 points wide; borders have the same width in every font size.
    const borders = 0.75 * (data.nx + 2) + 4;
    const size = Math.min(8.5, (520 - borders) / width);
    this.article.style.setProperty("--print-size", `${size.toFixed(2)}pt`);
  }

  td(cell) {
    return this.grid.querySelector(`td[data-cell="${cell}"]`);
  }

  showDetails(cell) {
    if (this.detailedCell === cell) return;
    this.detailedCell = cell;
    this.details.replaceChildren(...drawDetails(this.table, cell, pageState.view));
  }

  /** Chooses a cell and puts its link into the page's address. */
  choose(cell, { focus = false, link = true } = {}) {
    this.draw();
    const [before, after] = [this.td(this.chosen), this.td(cell)];
    before.tabIndex = -1;
    before.classList.remove("chosen");
    after.tabIndex = 0;
    after.classList.add("chosen");
    const moved = this.chosen !== cell;
    this.chosen = cell;
    this.isVisited = true;
    this.showDetails(cell);
    setCurrent(this);
    if (link) setLink(`${this.table.key}/${this.table.at(cell).join(",")}`);
    if (moved) this.pictures?.choose(cell);
    if (focus) {
      after.focus({ preventScroll: true });
      this.revealChosen();
      keepPosition(this);
    }
  }

  /** Scrolls the chosen cell into view, above its details, which cover the lower end of the grid. */
  revealChosen() {
    this.fitDetails();
    this.article.style.setProperty("--panel", `${this.details.offsetHeight}px`);
    this.td(this.chosen).scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  /** Lets the keyboard reach details that need scrolling. */
  fitDetails() {
    const { details } = this;
    if (details.scrollHeight > details.clientHeight) details.tabIndex = 0;
    else details.removeAttribute("tabindex");
  }

  /** Scrolls the table to the top of the window. */
  show({ focus = true, link = true } = {}) {
    this.draw();
    setCurrent(this);
    if (link) setLink(this.table.key);
    this.article.scrollIntoView({ block: "start" });
    if (focus) this.article.focus({ preventScroll: true });
    keepPosition(this);
  }

  onFocus(event) {
    const td = event.target.closest("td");
    if (!td) return;
    const cell = Number(td.dataset.cell);
    if (cell !== this.chosen || !this.isVisited) this.choose(cell);
    if (event.type !== "click") return;
    td.focus({ preventScroll: true });
    this.revealChosen();
  }

  onHover(event) {
    const td = event.target.closest("td");
    if (!td) return;
    this.showDetails(Number(td.dataset.cell));
    this.fitDetails();
  }

  onKey(event) {
    if (event.altKey || event.metaKey || !event.target.closest("td")) return;
    const { nx, ny } = this.table.data;
    const [x, y] = this.table.at(this.chosen);
    const to = {
      ArrowLeft: [x - 1, y], ArrowRight: [x + 1, y], ArrowUp: [x, y - 1], ArrowDown: [x, y + 1],
      Home: [0, event.ctrlKey ? 0 : y], End: [nx - 1, event.ctrlKey ? ny - 1 : y],
    }[event.key];
    if (!to) return;
    event.preventDefault();
    if (this.table.has(...to)) this.choose(this.table.cell(...to), { focus: true });
  }
}

function setCurrent(section) {
  if (pageState.current === section) return;
  pageState.current = section;
  markInList(section);
}

/** Keeps a section in its place in the window while its neighbours are drawn, until the reader moves. */
function keepPosition(section) {
  const { article } = section;
  const wantedTop = article.getBoundingClientRect().top;
  pageState.releasePosition?.();
  const until = performance.now() + 800;
  const readerEvents = ["wheel", "touchmove", "keydown", "pointerdown"];
  let held = true;
  pageState.held = true;
  const release = () => {
    if (held) pageState.held = false;
    held = false;
    for (const name of readerEvents) window.removeEventListener(name, release, { capture: true });
  };
  // Captured, as the key event that led here still bubbles up to the window and would end the hold at once.
  for (const name of readerEvents) window.addEventListener(name, release, { passive: true, capture: true });
  const hold = () => {
    if (!held) return;
    const drift = article.getBoundingClientRect().top - wantedTop;
    if (Math.abs(drift) > 1) window.scrollBy(0, drift);
    if (performance.now() < until) requestAnimationFrame(hold);
    else release();
  };
  pageState.releasePosition = release;
  requestAnimationFrame(hold);
}

/** Puts a link into the page's address. */
function setLink(link) {
  try {
    window.history.replaceState(null, "", `#${encodeURI(link)}`);
  } catch {
    // Some browsers limit the rate, others forbid it for files; the page works without it.
  }
}

/** Draws every section when it comes near the window; a new view redraws the near sections at once. */
function watchSections() {
  const near = new Set();
  let due;
  // One section per frame keeps scrolling smooth; a section that has left before its turn is not drawn.
  const drawNext = () => {
    due = undefined;
    const [section, more] = [...near].filter((candidate) => !candidate.isUpToDate);
    section?.draw();
    if (more) due = requestAnimationFrame(drawNext);
  };
  const watcher = new IntersectionObserver((entries) => {
    for (const { target, isIntersecting } of entries) {
      const section = pageState.sections[Number(target.dataset.index)];
      if (isIntersecting) {
        near.add(section);
      } else {
        near.delete(section);
      }
    }
    due ??= requestAnimationFrame(drawNext);
  }, { rootMargin: "500px 0px" });
  document.querySelectorAll("article.table").forEach((article, index) => {
    article.dataset.index = index;
    pageState.sections.push(new Section(article, tables[index]));
    watcher.observe(article);
  });
  pageState.redrawNear = () => near.forEach((section) => section.draw());
}

function drawAll() {
  for (const section of pageState.sections) {
    section.draw();
    section.drawPictures();
  }
}
