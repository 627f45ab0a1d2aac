// A small picture of all cells of a large grid, by which the reader goes to a place in it.

/** A grid with more rows or columns is large in every window; on a narrow one, fewer columns are. */
const largeGrid = { size: 20, narrow: 8 };
const overviewSize = { width: 160, height: 112, cell: 6, least: 24 };

/** "large", "narrow" if it is large for a narrow window only, or undefined. */
function overviewKind({ nx, ny }) {
  if (nx > largeGrid.size || ny > largeGrid.size) return "large";
  return nx > largeGrid.narrow ? "narrow" : undefined;
}

/**
 * The picture of a table's new values. `grid` is drawn in the box `scroll`, `goTo(cell, focus)` is called with the
 * cell to which the reader goes.
 */
class Overview {
  constructor(table, grid, scroll, goTo) {
    Object.assign(this, { table, grid, scroll, goTo });
    const { nx, ny } = table.data;
    const [width, height] = [
      Math.min(overviewSize.width, Math.max(nx * overviewSize.cell, overviewSize.least)),
      Math.min(overviewSize.height, Math.max(ny * overviewSize.cell, overviewSize.least)),
    ];
    this.frame = draw("rect", { class: "visible", "vector-effect": "non-scaling-stroke" });
    this.here = draw("rect", { class: "here", width: 1, height: 1, "vector-effect": "non-scaling-stroke" });
    this.picture = draw("svg", {
      viewBox: `0 0 ${nx} ${ny}`, preserveAspectRatio: "none", "aria-hidden": "true",
    }, ...this.drawCells(), this.frame, this.here);
    Object.assign(this.picture.style, { width: `${width}px`, height: `${height}px` });
    this.pad = make("div", {
      class: "pad", tabindex: 0, role: "group",
      "aria-label": `Overview of ${table.title}; the arrow keys move the part in sight, Enter goes into it`,
      onkeydown: (event) => this.key(event), onpointerdown: (event) => this.press(event),
      onpointermove: (event) => this.drag(event), onpointerup: () => this.release(), onpointercancel: () => this.release(),
    }, this.picture);
    this.place = make("p", { class: "place", "aria-live": "polite" });
    const changed = table.changed.length ? `${count(table.changed.length, "changed cell")} dark` : "no changed cell";
    this.element = make("div", { class: `overview ${overviewKind(table.data)}` }, this.pad,
      make("div", {}, make("p", {}, `All ${table.size.toLocaleString("en")} cells, ${changed}.`), this.place));
    scroll.addEventListener("scroll", () => this.update(), { passive: true });
    new ResizeObserver(() => this.update()).observe(scroll);
  }

  /** The cells as one path for each shade, changed ones last. */
  drawCells() {
    const { table } = this;
    const paths = new Map();
    for (let cell = 0; cell < table.size; cell += 1) {
      const kind = table.isChanged(cell) ? "changed" : `s${table.valueLevel(cell, "new") ?? 0}`;
      const [x, y] = table.at(cell);
      paths.set(kind, `${paths.get(kind) ?? ""}M${x} ${y}h1v1h-1z`);
    }
    return [...paths].sort(([first], [second]) => (first === "changed") - (second === "changed"))
      .map(([kind, path]) => draw("path", { class: kind, d: path }));
  }

  /** Draws the part in sight again, once in a frame. */
  update() {
    this.request ??= requestAnimationFrame(() => {
      this.request = undefined;
      this.show();
    });
  }

  show() {
    const { table, frame, here } = this;
    const [x, y] = table.at(this.grid.chosen);
    fillElement(here, { x, y }, []);
    const part = this.visiblePart();
    if (!part) return;
    fillElement(frame, { x: part.x[0], y: part.y[0], width: part.x[1] - part.x[0] + 1, height: part.y[1] - part.y[0] + 1 }, []);
    const ends = (side) => withUnit(`${table.breakpoint(side, part[side][0])} to ${table.breakpoint(side, part[side][1])}`, table.data[side]?.unit);
    const text = `In sight: ${["x", "y"].filter((side) => table.data[side]).map(ends).join(", ")}.`;
    if (this.place.textContent !== text) this.place.textContent = text;
  }

  /** The first and the last column and row in sight; undefined if the grid has no extent. */
  visiblePart() {
    const { grid, scroll, table } = this;
    const box = scroll.getBoundingClientRect();
    const { top, left } = grid.origin(box);
    const isInSight = (near, far, from, to) => Math.min(far, to) - Math.max(near, from) > (far - near) / 2;
    const shownRow = grid.nearestShownRow(0);
    const xs = [];
    for (let x = 0; x < table.data.nx; x += 1) {
      const edges = grid.cells[table.cell(x, shownRow)].getBoundingClientRect();
      if (isInSight(edges.left, edges.right, left, box.right)) xs.push(x);
    }
    const ys = [...grid.rows.keys()].filter((y) => {
      if (grid.isFolded(y)) return false;
      const edges = grid.rows[y].getBoundingClientRect();
      return isInSight(edges.top, edges.bottom, top, box.bottom);
    });
    return xs.length && ys.length ? { x: [xs[0], xs.at(-1)], y: [ys[0], ys.at(-1)] } : undefined;
  }

  key(event) {
    const step = {
      ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1], Home: [-9e6, -9e6], End: [9e6, 9e6],
    }[event.key];
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (step) {
      event.preventDefault();
      this.scroll.scrollBy(step[0] * this.scroll.clientWidth / 2, step[1] * this.scroll.clientHeight / 2);
    } else if (event.key === "Enter") {
      const part = this.visiblePart();
      if (!part) return;
      event.preventDefault();
      const [x, y] = ["x", "y"].map((side) => Math.round((part[side][0] + part[side][1]) / 2));
      this.goTo(this.table.cell(x, this.grid.nearestShownRow(y)), true);
    }
  }

  press(event) {
    this.isHeld = true;
    this.pad.setPointerCapture(event.pointerId);
    this.goToPointer(event);
  }

  drag(event) {
    if (this.isHeld) this.goToPointer(event);
  }

  release() {
    this.isHeld = false;
  }

  goToPointer(event) {
    const { nx, ny } = this.table.data;
    const box = this.picture.getBoundingClientRect();
    const index = (at, start, length, amount) => Math.min(amount - 1, Math.max(0, Math.floor(amount * (at - start) / length)));
    const cell = this.table.cell(index(event.clientX, box.left, box.width, nx), index(event.clientY, box.top, box.height, ny));
    if (cell !== this.grid.chosen) this.goTo(cell, false);
  }
}
