// A section for each changed table. It is drawn when it comes near the window, and its grid when the browser is idle.

/** The state of the whole page; `viewBefore` is set while a key shows another view. */
const pageState = { view: "new", viewBefore: undefined, times: false, beside: false, current: undefined, sections: [] };

/** Calls a function when the browser is idle, or soon all the same; it gets a function that says if time is left. */
function scheduleIdle(run) {
  const start = (idle) => {
    const until = performance.now() + 10;
    run(() => performance.now() < until || idle?.timeRemaining() > 2);
  };
  if (window.requestIdleCallback) window.requestIdleCallback(start, { timeout: 60 });
  else setTimeout(start, 16);
}

/** The tasks that run when the browser is idle. */
const idleTasks = [];
function whenIdle(task) {
  idleTasks.push(task);
  if (idleTasks.length > 1) return;
  const runNext = () => {
    idleTasks[0]();
    idleTasks.shift();
    if (idleTasks.length) scheduleIdle(runNext);
  };
  scheduleIdle(runNext);
}

class Section {
  constructor(article, table) {
    this.article = article;
    this.table = table;
    this.chosen = table.first;
    table.section = this;
    this.rest = article.querySelector(".rest");
    // A reader who ticks, writes or clicks in a table is at that table.
    article.addEventListener("focusin", ({ relatedTarget }) => {
      // A window that is entered again gives the focus back, perhaps to what the reader has scrolled away.
      if (relatedTarget || isLookedAt(this)) setCurrent(this);
    });
    // The approximate final height, so that the page does not jump when the section is drawn.
    const rows = Math.min(table.data.ny, 26) * 28 + (table.isPlottable ? pictureHeights[table.data.kind] : 0) + table.findings.length * 70 + 300;
    article.style.setProperty("--height", `${rows}px`);
  }

  get isDrawn() {
    return this.grid !== undefined;
  }

  /** Whether the section shows the current view. */
  get isUpToDate() {
    return this.drawnState === stateOfGrids();
  }

  draw() {
    if (!this.isDrawn) this.drawFirst();
    else if (!this.isUpToDate) this.showGrids();
  }

  /** Draws everything but the pictures. */
  drawFirst() {
    const { table } = this;
    const details = make("div", { class: "details", "aria-live": "polite", role: "group", "aria-label": "Details of the cell" });
    this.details = details;
    this.folds = foldsOf(table);
    this.scroll = make("div", { class: "scroll" });
    this.grid = this.makeGrid(false);
    this.grids = make("div", {
      class: "grids", onfocusin: (event) => this.onFocus(event), onclick: (event) => this.onFocus(event),
      onmouseover: (event) => this.onHover(event), onmouseleave: () => this.point(undefined),
      onkeydown: (event) => this.onKey(event),
    }, this.scroll);
    this.scroll.append(this.grid.draw(pageState.view, pageState.times));
    this.pictureRoom = table.isPlottable ? make("div", { class: `pictures undrawn is-${table.data.kind}` }) : "";
    const gridSide = make("div", { class: "grid-side" }, this.grids, details);
    this.rest.append(...this.drawNotes(), make("div", { class: "grid-and-pictures" }, gridSide, this.pictureRoom),
      ...this.findings(), drawSigning(table));
    this.showGrids();
    this.showDetails(this.chosen);
  }

  makeGrid(isBeside) {
    const { table, chosen, folds } = this;
    return new Grid(table, { chosen, folds, isBeside, onFold: (fold, isOpen) => this.openFold(fold, isOpen) });
  }

  /** Draws what is left when the section comes near the window. */
  drawNear() {
    this.draw();
    if (this.isNear) return;
    this.isNear = true;
    this.drawOverview();
    whenIdle(() => {
      this.scrollToChosen();
      this.overview?.show();
      this.drawPictures();
    });
  }

  /** Draws the overview if there is none yet: only where a reader is, as making many takes long. */
  drawOverview() {
    if (this.overview || !overviewKind(this.table.data)) return;
    this.overview = new Overview(this.table, this.grid, this.scroll, (cell, focus) => {
      this.choose(cell, { focus });
      this.centreChosen();
    });
    this.grids.before(this.overview.element);
  }

  drawNotes() {
    const { logged, notes } = this.table.data;
    const never = logged?.never ? `; ${count(logged.never, "changed cell")} never reached` : "";
    const time = logged && make("p", { class: "logged" }, `Changed cells are in use for ${logged.share} of the logged time${never}.`);
    const range = operatingRangeText(this.table);
    return [...(time ? [time] : []), ...notes.map((note) => make("p", { class: "table-note" }, note)),
      ...(range ? [make("p", { class: "table-note" }, range)] : [])];
  }

  /** Scrolls the chosen cell into view if the grid is larger than its box. */
  scrollToChosen() {
    const { scroll } = this;
    if (scroll.scrollLeft || scroll.scrollTop) return;
    const [td, box] = [this.td(this.chosen).getBoundingClientRect(), scroll.getBoundingClientRect()];
    if (td.right > box.left + scroll.clientWidth || td.bottom > box.top + scroll.clientHeight) this.centreChosen();
  }

  centreChosen() {
    const { scroll } = this;
    const [td, box] = [this.td(this.chosen).getBoundingClientRect(), scroll.getBoundingClientRect()];
    scroll.scrollBy(td.left - box.left - scroll.clientWidth / 2, td.top - box.top - scroll.clientHeight / 2);
  }

  /** Shows the grids as the page is set. */
  showGrids() {
    this.drawnState = stateOfGrids();
    this.grid.show(pageState.view, pageState.times);
    if (pageState.beside) {
      if (!this.besides) this.drawBeside();
      this.besides.grid.show("old", pageState.times);
    }
    if (this.besides) this.besides.scroll.hidden = !pageState.beside;
    this.grids.classList.toggle("two", pageState.beside);
    this.pictures?.showTimes();
  }

  /** Draws the old values beside the grid; both scroll together. */
  drawBeside() {
    const grid = this.makeGrid(true);
    const scroll = make("div", { class: "scroll beside" }, grid.draw("old", pageState.times));
    const follow = (from, to) => from.addEventListener("scroll", () => {
      if (to.scrollLeft !== from.scrollLeft || to.scrollTop !== from.scrollTop) to.scrollTo(from.scrollLeft, from.scrollTop);
    }, { passive: true });
    follow(scroll, this.scroll);
    follow(this.scroll, scroll);
    this.besides = { grid, scroll };
    this.scroll.before(scroll);
  }

  /** Opens or closes folded rows; the other way round if it is not given. */
  openFold(fold, isOpen = !fold.isOpen) {
    fold.isOpen = isOpen;
    this.grid.updateFold(fold);
    this.besides?.grid.updateFold(fold);
    this.overview?.update();
  }

  /** Opens all folded rows if one is folded, and folds all otherwise. */
  toggleFolds() {
    const isOpen = this.folds.some((fold) => !fold.isOpen);
    for (const fold of this.folds) this.openFold(fold, isOpen);
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

  td(cell) {
    return this.grid.cells[cell];
  }

  showDetails(cell) {
    if (this.detailedCell === cell) return;
    this.detailedCell = cell;
    this.details.replaceChildren(...drawDetails(this.table, cell));
  }

  /** Chooses a cell, in all grids, and puts its link into the page's address. */
  choose(cell, { focus = false, link = true } = {}) {
    this.draw();
    this.drawOverview();
    const row = Math.floor(cell / this.table.data.nx);
    const fold = this.folds.find(({ first, last, isOpen }) => !isOpen && first <= row && row <= last);
    if (fold) this.openFold(fold, true);
    this.grid.choose(cell);
    this.besides?.grid.choose(cell);
    const moved = this.chosen !== cell;
    this.chosen = cell;
    this.isVisited = true;
    this.showDetails(cell);
    this.overview?.update();
    setCurrent(this);
    if (link) setLink(`${this.table.key}/${this.table.at(cell).join(",")}`);
    if (moved) this.pictures?.choose(cell);
    if (focus) {
      this.td(cell).focus({ preventScroll: true });
      this.revealChosen();
      keepPosition(this);
    }
  }

  /** Scrolls the chosen cell into view: in its box behind the headers, and in the window above its details. */
  revealChosen() {
    this.fitDetails();
    const { scroll, details } = this;
    const td = this.td(this.chosen);
    const [cell, box] = [td.getBoundingClientRect(), scroll.getBoundingClientRect()];
    const { top, left } = this.grid.origin(box);
    scroll.scrollBy(
      distanceInto(cell.left, cell.right, left, box.left + scroll.clientWidth),
      distanceInto(cell.top, cell.bottom, top, box.top + scroll.clientHeight));
    const isOver = getComputedStyle(details).position === "sticky";
    const { top: cellTop, bottom: cellBottom } = td.getBoundingClientRect();
    const bottom = window.innerHeight - (isOver ? details.offsetHeight + 10 : 16);
    const upper = document.querySelector("main > .toolbar").offsetHeight;
    // The headers too, if there is room.
    const room = bottom - upper - (cellBottom - box.top);
    window.scrollBy(0, distanceInto(room > 0 ? Math.min(cellTop - 30, box.top) : cellTop - 30, cellBottom, upper, bottom));
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
    this.drawOverview();
    setCurrent(this);
    if (link) setLink(this.table.key);
    this.article.scrollIntoView({ block: "start" });
    if (focus) this.article.focus({ preventScroll: true });
    keepPosition(this);
  }

  onFocus(event) {
    const cell = cellOf(event.target);
    if (cell === undefined) return;
    if (cell !== this.chosen || !this.isVisited) this.choose(cell);
    if (event.type === "click") this.td(cell).focus({ preventScroll: true });
    if (event.type === "click" || isKeyboardEntry(event)) this.revealChosen();
  }

  onHover(event) {
    const cell = cellOf(event.target);
    // A reader on a link among the details keeps them.
    if (cell === undefined || this.details.contains(document.activeElement)) return;
    this.point(cell);
    this.fitDetails();
  }

  /** Shows the details of the cell under the pointer, and marks it in both grids; undefined: the chosen cell. */
  point(cell) {
    this.showDetails(cell ?? this.chosen);
    if (!pageState.beside) return;
    this.grid.point(cell);
    this.besides?.grid.point(cell);
  }

  onKey(event) {
    if (event.altKey || event.metaKey || cellOf(event.target) === undefined) return;
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

/** Whether the Tab key led into a grid. The browser then shows the cell, but at a place where its details come to lie. */
function isKeyboardEntry({ currentTarget, relatedTarget, target }) {
  return relatedTarget !== null && !currentTarget.contains(relatedTarget) && target.matches(":focus-visible");
}

/** What the grids of all sections show. */
function stateOfGrids() {
  return `${pageState.view} ${pageState.times} ${pageState.beside}`;
}

/** The cell that an element is in; undefined for headers and folded rows. */
function cellOf(element) {
  const cell = element.closest("td")?.dataset.cell;
  return cell === undefined ? undefined : Number(cell);
}

/** How far to scroll for a stretch to lie between two limits; its start goes first. */
function distanceInto(near, far, from, to) {
  return near < from ? near - from : Math.max(0, Math.min(far - to, near - from));
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
  const start = performance.now();
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
    // The pictures of the neighbours may take longer.
    if (performance.now() < start + (idleTasks.length ? 5000 : 800)) requestAnimationFrame(hold);
    else release();
  };
  pageState.releasePosition = release;
  requestAnimationFrame(hold);
}

/** Draws every section when it comes near the window; a new view redraws the near sections at once. */
function watchSections() {
  const near = new Set();
  let due;
  // One section per frame keeps scrolling smooth; a section that has left before its turn is not drawn.
  const drawNext = () => {
    due = undefined;
    const [section, more] = [...near].filter((candidate) => !candidate.isUpToDate || !candidate.isNear);
    section?.drawNear();
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
  pageState.redrawNear = () => {
    near.forEach((section) => section.draw());
    drawRest();
  };
}

/** The largest number of cells that are drawn before the reader comes near them: each needs about a kilobyte. */
const mostIdleCells = 400_000;

/** The sections that are drawn without being near. */
function idleSections() {
  let amount = 0;
  return pageState.sections.filter(({ table }) => (amount += table.size * (pageState.beside ? 2 : 1)) <= mostIdleCells);
}

/** Draws all grids while the browser is idle: its search finds only what is drawn. */
function drawRest() {
  if (pageState.isDrawingRest) return;
  if (document.readyState !== "complete") {
    window.addEventListener("load", drawRest, { once: true });
    return;
  }
  pageState.isDrawingRest = true;
  let state;
  let due;
  const drawSome = (hasTime) => {
    // What the reader sees goes first; the rest need not follow a view that lasts as long as a key is held.
    if (!idleTasks.length && pageState.viewBefore === undefined) {
      if (state !== stateOfGrids()) [state, due] = [stateOfGrids(), idleSections().toReversed()];
      while (due.length && hasTime()) due.pop().draw();
      pageState.isDrawingRest = due.length > 0;
    }
    if (pageState.isDrawingRest) scheduleIdle(drawSome);
  };
  scheduleIdle(drawSome);
}
