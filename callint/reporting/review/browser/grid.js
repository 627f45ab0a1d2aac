// A table as a grid with its breakpoints: new values, old values or differences.

const markSigns = { raised: "▲", lowered: "▼", switched: "◆" };
const views = ["new", "old", "change"];
const viewNames = { new: "new values", old: "old values", change: "differences" };

/**
 * The grid of a table, which stays the same in every view: only texts and colours of cells change.
 *
 * `folds` are the runs of rows that fold; `onFold` is called when the reader opens or closes one. A grid that
 * stands beside another one is for reading only.
 */
class Grid {
  constructor(table, { chosen, folds, onFold, isBeside = false }) {
    Object.assign(this, { table, chosen, folds, onFold, isBeside });
    this.roles = isBeside ? { grid: "table", cell: "cell" } : { grid: "grid", cell: "gridcell" };
    // Copied for each cell, which is twice as fast as making each.
    this.blankCell = make("td", { role: this.roles.cell, tabindex: isBeside ? undefined : -1 });
    this.maxShare = Math.max(0, ...(table.data.logged?.cells ?? []));
    this.cells = [];
    this.heads = { x: [], y: [] };
    this.rows = [];
    this.foldLines = new Map();
  }

  /** Draws the grid in a view; `times` adds each cell's share of the logged time. */
  draw(view, times) {
    const { table } = this;
    const { data } = table;
    Object.assign(this, { view, times });
    this.viewName = make("span", { class: "view" }, viewNames[view]);
    const caption = make("caption", { id: uniqueId("caption") }, `${table.title}, `, this.viewName,
      withUnit("", data.unit && `in ${data.unit}`));
    this.element = make("table", { role: this.roles.grid, "aria-labelledby": caption.id, class: view });
    if (!this.isBeside) this.element.setAttribute("aria-readonly", "true");
    setColumns(this.element, table.columns);
    this.element.append(caption);
    if (data.x) this.element.append(this.drawHead());
    let row = 0;
    for (const fold of this.folds) {
      this.element.append(...this.drawRows(row, fold.first - 1), ...this.drawFold(fold));
      row = fold.last + 1;
    }
    this.element.append(...this.drawRows(row, data.ny - 1));
    return this.element;
  }

  /** Shows another view in the same cells. */
  show(view, times) {
    const { table, view: before } = this;
    if (view === before && times === this.times) return;
    const isEveryCell = times !== this.times || [view, before].includes("change");
    Object.assign(this, { view, times });
    this.viewName.textContent = viewNames[view];
    this.element.className = view;
    for (const cell of isEveryCell ? this.cells.keys() : table.cellsByView) this.fillCell(cell);
    for (const side of ["x", "y"]) {
      this.heads[side].forEach((head, index) => {
        if (table.isMoved(side, index)) fillBreakpoint(head, table, side, index, view);
      });
    }
  }

  /** The shape of the head: two lines with two axes, one with one. */
  drawHead() {
    const { x, y, nx } = this.table.data;
    this.heads.x = Array.from({ length: nx }, (_, index) => this.drawBreakpoint("x", index));
    const line = (...cells) => make("tr", { role: "row" }, ...cells);
    if (!y) {
      const name = make("th", { scope: "row", role: "rowheader", class: "signal" }, axisName(x));
      return make("thead", { role: "rowgroup" }, line(name, ...this.heads.x));
    }
    const corner = make("th", { scope: "col", role: "columnheader", rowspan: 2, class: "signal" }, axisName(y));
    const across = make("th", { scope: "colgroup", role: "columnheader", colspan: nx, class: "signal across" }, make("span", {}, axisName(x)));
    return make("thead", { role: "rowgroup", class: "two" }, line(corner, across), line(...this.heads.x));
  }

  drawBreakpoint(side, index) {
    const isColumn = side === "x";
    const head = make("th", { scope: isColumn ? "col" : "row", role: isColumn ? "columnheader" : "rowheader" });
    fillBreakpoint(head, this.table, side, index, this.view);
    return head;
  }

  /** Rows from the first to the last one in a body of the table; nothing if there are none. */
  drawRows(first, last) {
    if (last < first) return [];
    const body = make("tbody", { role: "rowgroup" });
    for (let y = first; y <= last; y += 1) body.append(this.drawRow(y));
    return [body];
  }

  drawFold(fold) {
    const [rows] = this.drawRows(fold.first, fold.last);
    rows.id = uniqueId("rows");
    rows.addEventListener("beforematch", () => this.onFold(fold, true));
    const { line, body } = drawFoldLine(this, fold, rows);
    this.foldLines.set(fold, { line, rows });
    setRowsOpen({ line, rows }, fold.isOpen);
    return [body, rows];
  }

  /** Whether a row is folded away. */
  isFolded(y) {
    return this.folds.some(({ first, last, isOpen }) => !isOpen && first <= y && y <= last);
  }

  /** A row that is not folded away, the nearest to another one. */
  nearestShownRow(y) {
    const shown = [...this.rows.keys()].filter((row) => !this.isFolded(row));
    return shown.reduce((best, row) => (Math.abs(row - y) < Math.abs(best - y) ? row : best));
  }

  /** The position in the window of the corner of the cells in sight, where both headers end. */
  origin(box) {
    const head = this.element.tHead;
    const corner = head?.querySelector(".signal") ?? this.rows[0].firstChild;
    return {
      top: box.top + (head ? head.offsetHeight : 0),
      left: box.left + corner.offsetWidth,
    };
  }

  /** Shows or hides the rows of a fold as it says. */
  updateFold(fold) {
    setRowsOpen(this.foldLines.get(fold), fold.isOpen);
  }

  drawRow(y) {
    const { table } = this;
    const { data } = table;
    const head = data.y ? this.drawBreakpoint("y", y) : make("th", { scope: "row", role: "rowheader" }, rowTitle(data));
    if (data.y) this.heads.y[y] = head;
    const row = make("tr", { role: "row" }, head);
    for (let x = 0; x < data.nx; x += 1) {
      const cell = table.cell(x, y);
      const td = this.blankCell.cloneNode();
      td.dataset.cell = cell;
      if (!this.isBeside && cell === this.chosen) td.tabIndex = 0;
      this.cells[cell] = td;
      this.fillCell(cell);
      row.append(td);
    }
    this.rows[y] = row;
    return row;
  }

  fillCell(cell) {
    const td = this.cells[cell];
    const { kinds, parts } = cellContent(this, cell);
    if (cell === this.chosen) kinds.push("chosen");
    if (cell === this.pointed) kinds.push("pointed");
    td.className = kinds.join(" ");
    if (parts.length === 1 && typeof parts[0] === "string") [td.textContent] = parts;
    else td.replaceChildren(...parts.filter((part) => part !== ""));
  }

  choose(cell) {
    const [before, after] = [this.cells[this.chosen], this.cells[cell]];
    before.classList.remove("chosen");
    after.classList.add("chosen");
    if (!this.isBeside) {
      before.tabIndex = -1;
      after.tabIndex = 0;
    }
    this.chosen = cell;
  }

  /** Marks the cell that the pointer is over in this grid or in the one beside it; undefined marks none. */
  point(cell) {
    this.cells[this.pointed]?.classList.remove("pointed");
    this.cells[cell]?.classList.add("pointed");
    this.pointed = cell;
  }
}

/** The meaning of the frame around cells; "" without a frame. */
function operatingRangeText(table) {
  const ranges = ["x", "y"].map((side) => operatingRangeOf(table, side)).filter(Boolean);
  return ranges.length ? `Framed is the operating range: ${ranges.join(", ")}.` : "";
}

function operatingRangeOf(table, side) {
  const axis = table.data[side];
  if (!axis?.operating) return "";
  const breakpoints = table.breakpoints(side);
  const [first, last] = axis.operating;
  const from = breakpoints[first] === breakpoints[last] ? "" : `${breakpoints[first]} to `;
  return withUnit(`${from}${breakpoints[last]}`, axis.unit);
}

function axisName(axis) {
  return axis.unit && axis.unit !== "-" ? `${axis.signal}, ${axis.unit}` : axis.signal;
}

/** What stands before the row of a table without rows of its own. */
function rowTitle(data) {
  return data.unit && data.unit !== "-" ? `Value, ${data.unit}` : "Value";
}

function fillBreakpoint(head, table, side, index, view) {
  const text = table.breakpoint(side, index, view);
  const oldText = table.breakpoint(side, index, "old");
  const parts = [drawFindingLetter(table.breakpointFindings(side, index))];
  if (table.isMoved(side, index) && view !== "old") {
    const direction = Number(text) < Number(oldText) ? "lowered" : "raised";
    parts.push(drawMark(direction), text, spokenText(`, moved from ${oldText}`));
  } else {
    parts.push(text);
  }
  head.classList.toggle("moved", table.isMoved(side, index));
  head.replaceChildren(...parts.filter((part) => part !== ""));
}

function drawMark(direction) {
  return make("span", { class: "mark", "aria-hidden": "true" }, markSigns[direction]);
}

/** What a cell of a grid shows in its view: classes and children. */
function cellContent(grid, cell) {
  const { table, view } = grid;
  const kinds = operatingRangeEdges(table, ...table.at(cell));
  const parts = [];
  const findings = table.findingsByCell.get(cell);
  if (findings) {
    kinds.push("pinned");
    parts.push(drawFindingLetter(findings));
  }
  if (table.isChanged(cell)) parts.push(...changedParts(table, cell, view, kinds));
  else if (view === "change") parts.push(make("span", { "aria-hidden": "true" }, "·"), spokenText("unchanged"));
  else parts.push(view === "old" ? table.old(cell) : table.new(cell));
  if (view !== "change") {
    const shade = table.valueLevel(cell, view);
    if (shade !== undefined) kinds.push(`s${shade}`);
  }
  if (table.off(view).has(cell)) {
    kinds.push("off");
    parts.push(spokenText(", switched off"));
  }
  if (grid.times && table.data.logged) parts.push(drawTime(grid, cell));
  return { kinds, parts };
}

/** The text of a changed cell among differences: the difference, or both values if there is none. */
function changeTextOf(table, cell) {
  return table.difference(cell) || `${table.old(cell)} → ${table.new(cell)}`;
}

function changedParts(table, cell, view, kinds) {
  const direction = table.direction(cell);
  const difference = table.difference(cell);
  const changeText = direction === "switched" ? "changed" : `${direction} by ${difference.replace(/^[+-]/, "")}`;
  kinds.push("changed", direction, `w${table.changeLevel(cell)}`);
  if (view === "old") return [table.old(cell), spokenText(`, ${changeText} to ${table.new(cell)}`)];
  const text = view === "new" ? table.new(cell) : changeTextOf(table, cell);
  return [drawMark(direction), text, spokenText(`, ${changeText} from ${table.old(cell)}`)];
}

/** The edges of the operating range at which a cell lies, as classes. */
function operatingRangeEdges(table, x, y) {
  const { data } = table;
  const [left, right] = data.x?.operating ?? [0, data.nx - 1];
  const [top, bottom] = data.y?.operating ?? [0, data.ny - 1];
  if (!data.x?.operating && !data.y?.operating) return [];
  if (x < left || x > right || y < top || y > bottom) return [];
  const edges = [["left", x === left], ["right", x === right], ["top", y === top], ["bottom", y === bottom]];
  return edges.filter(([, isEdge]) => isEdge).map(([edge]) => `frame-${edge}`);
}

/** The worst of some findings as a letter in a corner. */
function drawFindingLetter(findings) {
  if (!findings?.length) return "";
  const open = findings.filter((finding) => !finding.waiver);
  const severity = severities.find((level) => (open.length ? open : findings).some((finding) => finding.severity === level));
  const word = open.length ? count(open.length, "finding") : "waived";
  const letter = make("span", { "aria-hidden": "true" }, severity[0].toUpperCase());
  const kind = open.length ? severity : "accepted";
  return make("span", { class: `pin ${kind}` }, letter, spokenText(` ${severity}: ${word}, `));
}

function drawTime(grid, cell) {
  const share = grid.table.data.logged.cells[cell];
  const bar = make("span", { class: "bar", "aria-hidden": "true" });
  bar.style.setProperty("--share", grid.maxShare ? share / grid.maxShare : 0);
  return make("span", { class: "time" }, spokenText(", "), percentOf(share), spokenText(" of the time"), bar);
}

function percentOf(share) {
  if (!share) return "0 %";
  return share < 0.001 ? "< 0.1 %" : `${(100 * share).toFixed(1)} %`;
}

/** The text of an unchanged cell; its output may differ if a breakpoint moved. */
function unchangedText(table, cell) {
  const moves = table.movedBreakpoints(cell);
  if (!moves) return "unchanged";
  return `cell unchanged, its ${moves === 1 ? "breakpoint" : "breakpoints"} moved`;
}

/** All details of a cell, the same in every view. */
function drawDetails(table, cell) {
  const { data } = table;
  const [oldRaw, newRaw] = table.raw(cell);
  const changed = table.isChanged(cell);
  const percent = table.percent(cell);
  const pairs = [["Where", table.place(cell)], ["Old", withUnit(table.old(cell), data.unit)]];
  if (changed) {
    pairs.push(["New", withUnit(table.new(cell), data.unit)]);
    if (table.difference(cell)) pairs.push(["Difference", withUnit(table.difference(cell), data.unit)]);
    if (percent) pairs.push(["Percent", `${percent} %`]);
  } else {
    pairs.push(["New", unchangedText(table, cell)]);
  }
  // A point of two software versions is no stored cell.
  if (!table.data.points) {
    pairs.push(["Raw", changed ? `${oldRaw} → ${newRaw}` : `${oldRaw}`], ["Address", table.address(cell)]);
  }
  if (data.logged) pairs.push(["Logged time", percentOf(data.logged.cells[cell])]);
  const list = make("dl", {}, ...pairs.filter(([, text]) => text !== "").map(([name, text]) =>
    make("div", { class: name.toLowerCase().replace(" ", "-") }, make("dt", {}, name), make("dd", {}, text))));
  const findings = table.findingsByCell.get(cell);
  return findings ? [list, drawFindingLinks(findings, table.section)] : [list];
}
