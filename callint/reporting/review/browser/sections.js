// One section for each changed table. Its grid and pictures are drawn when it comes near.

/** What the whole page shows. */
const desk = { view: "new", times: false, current: undefined, sections: [] };

/** What is drawn when the browser has nothing better to do. */
const waiting = [];
function whenIdle(task) {
  waiting.push(task);
  if (waiting.length > 1) return;
  const later = window.requestIdleCallback ?? ((one) => setTimeout(one, 16));
  const work = () => {
    waiting[0]();
    waiting.shift();
    if (waiting.length) later(work);
  };
  later(work);
}

/** How wide a bold digit of the page's type is, in its size. */
function digitWidth() {
  const paper = document.createElement("canvas").getContext("2d");
  paper.font = `bold 100px ${getComputedStyle(document.body).fontFamily}`;
  return paper.measureText("0").width / 100;
}

class Section {
  constructor(article, table) {
    this.article = article;
    this.table = table;
    this.chosen = table.first;
    table.section = this;
    this.rest = article.querySelector(".rest");
    // Whoever ticks, writes or clicks in a table is at that table.
    article.addEventListener("focusin", () => setCurrent(this));
    // About as high as it will be, so that the page does not jump when it is drawn.
    const rows = Math.min(table.data.ny, 40) * 27 + (table.plots ? 330 : 0) + table.findings.length * 70 + 300;
    article.style.setProperty("--height", `${rows}px`);
  }

  get isDrawn() {
    return this.grid !== undefined;
  }

  /** Whether it shows what the page is set to. */
  get isFresh() {
    return this.shows === `${desk.view} ${desk.times}`;
  }

  draw() {
    if (!this.isDrawn) this.drawOnce();
    else if (!this.isFresh) this.redraw();
  }

  drawOnce() {
    const { table } = this;
    const details = make("div", { class: "details", "aria-live": "polite", role: "group", "aria-label": "Details of the cell" });
    this.details = details;
    this.scroll = make("div", {
      class: "scroll", onfocusin: (event) => this.onFocus(event), onclick: (event) => this.onFocus(event),
      onmouseover: (event) => this.onHover(event), onmouseleave: () => this.detail(this.chosen),
      onkeydown: (event) => this.onKey(event),
    });
    this.pictures = make("div", { class: "pictures" });
    this.rest.append(...this.words(), this.scroll, details, this.pictures, ...this.findings(), drawSigning(table));
    this.fitPrint();
    this.redraw();
    if (table.plots) this.pictures.classList.add(`is-${table.data.kind}`);
    whenIdle(() => {
      this.uncover();
      this.drawPictures();
    });
  }

  words() {
    const { logged, notes } = this.table.data;
    const never = logged?.never ? `; ${count(logged.never, "changed cell")} never reached` : "";
    const time = logged && make("p", { class: "logged" }, `Changed cells are in use for ${logged.share} of the logged time${never}.`);
    const frame = frameWords(this.table);
    return [...(time ? [time] : []), ...notes.map((note) => make("p", { class: "told-by" }, note)),
      ...(frame ? [make("p", { class: "told-by" }, frame)] : [])];
  }

  /** The chosen cell into sight, where the grid is wider than the window. */
  uncover() {
    const { scroll } = this;
    if (scroll.scrollWidth <= scroll.clientWidth || scroll.scrollLeft) return;
    const td = this.td(this.chosen);
    if (td.offsetLeft + td.offsetWidth > scroll.clientWidth) scroll.scrollLeft = td.offsetLeft - scroll.clientWidth / 2;
  }

  /** The grid anew, in the page's view. */
  redraw() {
    this.shows = `${desk.view} ${desk.times}`;
    const focused = this.scroll.contains(document.activeElement);
    this.grid = drawGrid(this.table, desk.view, this.chosen, desk.times);
    this.scroll.replaceChildren(this.grid);
    this.detailed = undefined;
    this.detail(this.chosen);
    if (focused) this.td(this.chosen).focus({ preventScroll: true });
  }

  drawPictures() {
    if (this.figures || !this.table.plots) return;
    const { data } = this.table;
    const figure = (kind, ...content) => {
      const caption = make("figcaption");
      this.pictures.append(make("figure", { class: kind }, ...content, caption));
      return caption;
    };
    if (data.nx > 1 && data.ny > 1) {
      this.surface = new Surface(this.table, this.chosen);
      figure("turn", this.surface.element, this.surface.buttons).append(
        "New values. Stems lead from the old value of each changed cell; the ring is the chosen cell.",
        spacingWords(this.table, ["x", "y"], ["new"]));
    }
    this.figures = [];
    if (data.kind === "map") {
      for (const side of ["x", "y"]) {
        if (this.table.breakpoints(side).length < 2) continue;
        const holder = make("div");
        this.figures.push({ side, holder, caption: figure(`cut-${side}`, holder) });
      }
    } else {
      const holder = make("div");
      this.figures.push({ holder, caption: figure("curve", holder) });
    }
    this.drawCuts();
  }

  drawCuts() {
    for (const { side, holder, caption } of this.figures ?? []) {
      holder.replaceChildren(side ? drawCut(this.table, side, this.chosen) : drawCurve(this.table, this.chosen));
      const place = side ? `Cut at ${cutPlace(this.table, side, this.chosen)}; old` : "Old";
      caption.textContent = `${place} dashed, new solid.${spacingWords(this.table, [side ?? "x"], ["old", "new"])}`;
    }
  }

  findings() {
    const { findings } = this.table;
    if (!findings.length) return [];
    const heading = make("h4", {}, findings.length === 1 ? "Finding" : "Findings");
    return [make("section", { class: "own" }, heading, make("ul", {}, ...findings.map((one) => drawFinding(one, this))))];
  }

  /** Wide tables are printed small enough to fit. */
  fitPrint() {
    const { data } = this.table;
    const digit = digitWidth();
    // In the type's size: what stands in a cell beside its digits is its padding, a mark and a finding's letter.
    let width = Math.max(data.y ? 7 : 10, ...this.table.breakpoints("y").map((text) => text.length)) * digit + 0.6;
    for (let x = 0; x < data.nx; x += 1) {
      let widest = data.x ? this.table.breakpoint("x", x).length * digit : 0;
      for (let y = 0; y < data.ny; y += 1) {
        const cell = this.table.cell(x, y);
        // A point is about half as wide as a digit.
        const [length] = [this.table.new(cell), this.table.old(cell)].map((text) => text.length - text.includes(".") / 2)
          .sort((one, other) => other - one);
        widest = Math.max(widest, length * digit + (this.table.pinned.has(cell) ? 1.2 : 0));
      }
      width += widest + 1.25;
    }
    // 520 points are the width of a sheet; borders are as wide in small type as in large.
    const borders = 0.75 * (data.nx + 2) + 4;
    const size = Math.min(8.5, (520 - borders) / width);
    this.article.style.setProperty("--print-size", `${size.toFixed(2)}pt`);
  }

  td(cell) {
    return this.grid.querySelector(`td[data-cell="${cell}"]`);
  }

  detail(cell) {
    if (this.detailed === cell) return;
    this.detailed = cell;
    this.details.replaceChildren(...drawDetails(this.table, cell, desk.view));
  }

  /** Makes a cell the one that is looked at; its address becomes the page's. */
  choose(cell, { focus = false, link = true } = {}) {
    this.draw();
    const [before, after] = [this.td(this.chosen), this.td(cell)];
    before.tabIndex = -1;
    before.classList.remove("chosen");
    after.tabIndex = 0;
    after.classList.add("chosen");
    const moved = this.chosen !== cell;
    this.chosen = cell;
    this.touched = true;
    this.detail(cell);
    setCurrent(this);
    if (link) setLink(`${this.table.key}/${this.table.at(cell).join(",")}`);
    if (moved) {
      this.drawCuts();
      this.surface?.choose(cell);
    }
    if (focus) {
      after.focus({ preventScroll: true });
      this.reveal();
      holdStill(this);
    }
  }

  /** The chosen cell into sight, clear of its own details, which stand before the grid's lower end. */
  reveal() {
    this.fitDetails();
    this.article.style.setProperty("--panel", `${this.details.offsetHeight}px`);
    this.td(this.chosen).scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  /** Details that have to be scrolled can be reached by keyboard. */
  fitDetails() {
    const { details } = this;
    if (details.scrollHeight > details.clientHeight) details.tabIndex = 0;
    else details.removeAttribute("tabindex");
  }

  /** Brings the table to the top of the window. */
  show({ focus = true, link = true } = {}) {
    this.draw();
    setCurrent(this);
    if (link) setLink(this.table.key);
    this.article.scrollIntoView({ block: "start" });
    if (focus) this.article.focus({ preventScroll: true });
    holdStill(this);
  }

  onFocus(event) {
    const td = event.target.closest("td");
    if (!td) return;
    const cell = Number(td.dataset.cell);
    if (cell !== this.chosen || !this.touched) this.choose(cell);
    if (event.type !== "click") return;
    td.focus({ preventScroll: true });
    this.reveal();
  }

  onHover(event) {
    const td = event.target.closest("td");
    if (!td) return;
    this.detail(Number(td.dataset.cell));
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
  if (desk.current === section) return;
  desk.current = section;
  markInList(section);
}

/** Keeps a section where it is in the window while what lies around it is drawn, unless the reader moves. */
function holdStill(section) {
  const { article } = section;
  const want = article.getBoundingClientRect().top;
  desk.release?.();
  const until = performance.now() + 800;
  const moves = ["wheel", "touchmove", "keydown", "pointerdown"];
  let held = true;
  desk.held = true;
  const release = () => {
    if (held) desk.held = false;
    held = false;
    for (const move of moves) window.removeEventListener(move, release, { capture: true });
  };
  // Captured, as the key that led here is still on its way up to the window and would end the hold at once.
  for (const move of moves) window.addEventListener(move, release, { passive: true, capture: true });
  const hold = () => {
    if (!held) return;
    const drift = article.getBoundingClientRect().top - want;
    if (Math.abs(drift) > 1) window.scrollBy(0, drift);
    if (performance.now() < until) requestAnimationFrame(hold);
    else release();
  };
  desk.release = release;
  requestAnimationFrame(hold);
}

/** The page's address leads to what is looked at. */
function setLink(link) {
  try {
    window.history.replaceState(null, "", `#${encodeURI(link)}`);
  } catch {
    // Some browsers limit how often, others forbid it for files; the page works without.
  }
}

/** Every section, drawn as it comes near; the page's view reaches those that are near at once. */
function watchSections() {
  const near = new Set();
  let due;
  // One a frame, so that scrolling stays smooth; what has left before its turn is not drawn.
  const drawNext = () => {
    due = undefined;
    const [section, more] = [...near].filter((one) => !one.isFresh);
    section?.draw();
    if (more) due = requestAnimationFrame(drawNext);
  };
  const watcher = new IntersectionObserver((entries) => {
    for (const { target, isIntersecting } of entries) {
      const section = desk.sections[Number(target.dataset.place)];
      if (isIntersecting) {
        near.add(section);
      } else {
        near.delete(section);
      }
    }
    due ??= requestAnimationFrame(drawNext);
  }, { rootMargin: "500px 0px" });
  document.querySelectorAll("article.table").forEach((article, place) => {
    article.dataset.place = place;
    desk.sections.push(new Section(article, tables[place]));
    watcher.observe(article);
  });
  desk.refresh = () => near.forEach((section) => section.draw());
}

function drawAll() {
  for (const section of desk.sections) {
    section.draw();
    section.drawPictures();
  }
}
