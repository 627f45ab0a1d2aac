// The review document and its tables.

// Selected by its type, as a table may have the id of any element.
const review = JSON.parse(document.querySelector('script[type="application/json"]').textContent);
const severities = ["error", "warning", "note"];
const hasSeveralImages = review.images.length > 1;

/** OLD or NEW with the name of its revision and the short id of the commit, as the first screen names it. */
function sideText(side) {
  const revision = review.revisions?.[side];
  if (!revision) return review[side];
  const [, path] = /^[^:]*(:.*)?$/s.exec(review[side]);
  const id = revision.commit.slice(0, 10);
  return `${revision.name}${path ?? ""}${revision.name === id ? "" : ` (${id})`}`;
}

/** All cells of spans, each a pair of the first cell and the number of cells. */
function expandSpans(spans) {
  return spans.flatMap(([first, length]) => Array.from({ length }, (_, n) => first + n));
}

function withUnit(text, unit) {
  return unit && unit !== "-" ? `${text} ${unit}` : text;
}

/** A list of `amount` texts, which the document may join with commas. */
function asList(values, amount) {
  if (Array.isArray(values)) return values;
  return amount ? values.split(",") : [];
}

/** A changed table; a cell is given by its number, y * nx + x. */
class Table {
  constructor(image, data) {
    this.image = image;
    this.data = data;
    this.key = hasSeveralImages ? `${image.id}.${data.name}` : data.name;
    this.title = data.title || data.name;
    this.size = data.nx * data.ny;
    this.findings = [];
  }

  /** Computes a property when it is first read: for hundreds of tables, computing all of them takes long. */
  cached(name, compute) {
    const value = compute();
    Object.defineProperty(this, name, { value });
    return value;
  }

  /** The index of each changed cell in the lists of changes. */
  get changeIndexes() {
    return this.cached("changeIndexes", () => new Map(expandSpans(this.data.cells).map((cell, index) => [cell, index])));
  }

  get changed() {
    return this.cached("changed", () => [...this.changeIndexes.keys()]);
  }

  get oldValues() {
    return this.cached("oldValues", () => asList(this.data.old, this.size));
  }

  get newValues() {
    return this.cached("newValues", () => asList(this.data.new, this.changeIndexes.size));
  }

  get differences() {
    return this.cached("differences", () => asList(this.data.difference, this.changeIndexes.size));
  }

  get percents() {
    return this.cached("percents", () => asList(this.data.percent, this.changeIndexes.size));
  }

  /** The findings of each cell; findings of a breakpoint belong to its axis. */
  get findingsByCell() {
    return this.cached("findingsByCell", () => {
      const byCell = new Map();
      const add = (cell, finding) => byCell.set(cell, [...(byCell.get(cell) ?? []), finding]);
      for (const finding of this.findings) {
        if (finding.table !== this.data.name) continue;
        if (finding.cell) add(finding.cell[1] * this.data.nx + finding.cell[0], finding);
        for (const cell of expandSpans(finding.cells ?? [])) add(cell, finding);
        // What is said of a scalar as a whole is said of its only cell.
        if (!finding.cell && !finding.cells && this.size === 1) add(0, finding);
      }
      return byCell;
    });
  }

  /** The findings of each breakpoint of an axis. */
  breakpointFindings(side, index) {
    const name = this.data[side]?.name;
    return this.findings.filter((finding) => finding.table === name && finding.cell && finding.cell[0] === index);
  }

  get worst() {
    const open = this.findings.filter((finding) => !finding.waiver).map((finding) => finding.severity);
    return severities.find((severity) => open.includes(severity));
  }

  at(cell) {
    return [cell % this.data.nx, Math.floor(cell / this.data.nx)];
  }

  cell(x, y) {
    return y * this.data.nx + x;
  }

  has(x, y) {
    return Number.isInteger(x + y) && x >= 0 && y >= 0 && x < this.data.nx && y < this.data.ny;
  }

  isChanged(cell) {
    return this.changeIndexes.has(cell);
  }

  old(cell) {
    return this.oldValues[cell];
  }

  new(cell) {
    return this.isChanged(cell) ? this.newValues[this.changeIndexes.get(cell)] : this.old(cell);
  }

  raw(cell) {
    const old = this.data.old_raw[cell];
    return [old, this.isChanged(cell) ? this.data.new_raw[this.changeIndexes.get(cell)] : old];
  }

  difference(cell) {
    return this.isChanged(cell) ? this.differences[this.changeIndexes.get(cell)] : "";
  }

  percent(cell) {
    return this.isChanged(cell) ? this.percents[this.changeIndexes.get(cell)] : "";
  }

  address(cell) {
    const { nx, ny, falling = "" } = this.data;
    let [x, y] = this.at(cell);
    x = falling.includes("x") ? nx - 1 - x : x;
    y = falling.includes("y") ? ny - 1 - y : y;
    const index = this.data.order === "y-first" ? x * ny + y : y * nx + x;
    const address = this.data.at + index * this.data.stride;
    return `0x${address.toString(16).toUpperCase().padStart(5, "0")}`;
  }

  /** The breakpoints of an axis, "x" or "y", in the old or the new image. */
  breakpoints(side, view = "new") {
    const axis = this.data[side];
    return (view !== "old" && axis?.new) || (axis?.old ?? []);
  }

  /** One breakpoint; an image may store fewer breakpoints than the table has cells. */
  breakpoint(side, index, view = "new") {
    return this.breakpoints(side, view)[index] ?? "–";
  }

  /** Whether a breakpoint changed. */
  isMoved(side, index) {
    return this.data[side]?.new !== undefined && this.breakpoint(side, index) !== this.breakpoint(side, index, "old");
  }

  /** Whether a breakpoint changed that both images have. */
  isMovedInBoth(side, index) {
    return this.isMoved(side, index) && [this.data[side].old, this.data[side].new].every((texts) => index < texts.length);
  }

  /** A breakpoint with its unit; a changed one as old and new. */
  breakpointText(side, index) {
    const text = this.breakpoint(side, index);
    const oldText = this.isMovedInBoth(side, index) ? `${this.breakpoint(side, index, "old")} → ` : "";
    return withUnit(`${oldText}${text}`, this.data[side].unit);
  }

  /** The breakpoints of a cell with their units. */
  place(cell) {
    const [x, y] = this.at(cell);
    const texts = [];
    if (this.data.x) texts.push(this.breakpointText("x", x));
    if (this.data.y) texts.push(this.breakpointText("y", y));
    return texts.join(", ");
  }

  /** The number of a cell's breakpoints that moved. */
  movedBreakpoints(cell) {
    const [x, y] = this.at(cell);
    return this.isMovedInBoth("x", x) + this.isMovedInBoth("y", y);
  }

  off(view) {
    const name = view === "old" ? "offOld" : "offNew";
    const spans = view === "old" ? this.data.off : this.data.off_new;
    return Object.hasOwn(this, name) ? this[name] : this.cached(name, () => new Set(expandSpans(spans)));
  }

  /** The cells that differ between the new and the old view. */
  get cellsByView() {
    return this.cached("cellsByView", () => {
      const [old, current] = [this.off("old"), this.off("new")];
      const switched = [...old, ...current].filter((cell) => old.has(cell) !== current.has(cell));
      return [...new Set([...this.changed, ...switched])];
    });
  }

  /** The widths of the columns of its grid. */
  get columns() {
    return this.cached("columns", () => columnWidths(this));
  }

  /** Numbers to plot, of the old or the new image; NaN for a cell that is off or holds no number. */
  numbers(view) {
    const name = view === "old" ? "oldNumbers" : "newNumbers";
    if (Object.hasOwn(this, name)) return this[name];
    return this.cached(name, () => {
      const off = this.off(view);
      const text = (cell) => (view === "old" ? this.old(cell) : this.new(cell));
      return Array.from({ length: this.size }, (_, cell) => (off.has(cell) ? NaN : Number(text(cell))));
    });
  }

  /** The lowest and the highest number in either image. */
  get span() {
    return this.cached("span", () => {
      let [low, high] = [Infinity, -Infinity];
      for (const value of [...this.numbers("old"), ...this.numbers("new")]) {
        if (!Number.isFinite(value)) continue;
        low = Math.min(low, value);
        high = Math.max(high, value);
      }
      return low > high ? [0, 1] : [low, high];
    });
  }

  /** Whether there is anything to plot. */
  get isPlottable() {
    const { states, bounds, base, relations } = this.data;
    const [low, high] = this.span;
    // Farther apart, numbers cannot be scaled: their difference is infinite.
    if (states || high - low > 1e300) return false;
    const amount = this.numbers("old").filter(Number.isFinite).length;
    return this.size > 1 ? amount > 1 : amount > 0 && Boolean(bounds ?? base ?? relations);
  }

  /** How a cell changed: "raised", "lowered", or "switched" if there is no numeric difference. */
  direction(cell) {
    const difference = this.difference(cell);
    if (!difference || !Number.isFinite(Number(difference))) return "switched";
    return difference.startsWith("-") ? "lowered" : "raised";
  }

  get largest() {
    return this.cached("largest", () =>
      Math.max(0, ...this.differences.map((text) => Math.abs(Number(text)) || 0)));
  }

  /** The size of a cell's change relative to the table's largest change, from 1 to 4. */
  changeLevel(cell) {
    if (this.direction(cell) === "switched") return 4;
    const share = Math.abs(Number(this.difference(cell))) / (this.largest || 1);
    return Math.min(4, 1 + Math.floor(share * 3.999));
  }

  /** The position of a cell's value between the lowest and the highest, from 0 to 7. */
  valueLevel(cell, view) {
    const [low, high] = this.span;
    const value = this.numbers(view)[cell];
    if (!Number.isFinite(value) || high === low || this.size === 1) return undefined;
    return Math.min(7, Math.floor((8 * (value - low)) / (high - low)));
  }

  /** The cell that a reader should see first: the worst finding, or else the largest change. */
  get first() {
    return this.cached("first", () => {
      const open = [...this.findingsByCell].filter(([, findings]) => findings.some((finding) => !finding.waiver));
      const rank = ([, findings]) => Math.min(...findings.map((finding) => severities.indexOf(finding.severity)));
      if (open.length) return open.reduce((worst, entry) => (rank(entry) < rank(worst) ? entry : worst))[0];
      let best = this.changed[0] ?? 0;
      for (const cell of this.changed) if (this.changeLevel(cell) > this.changeLevel(best)) best = cell;
      for (const cell of this.changed) {
        if (Math.abs(Number(this.difference(cell))) === this.largest) return cell;
      }
      return best;
    });
  }
}

const tables = review.images.flatMap((image) => image.tables.map((data) => new Table(image, data)));

/** The tables that a finding concerns, directly or through an axis. */
const tablesOf = new Map();

function assignFindings() {
  const byName = new Map();
  const add = (image, name, table) => {
    const key = `${image.id} ${name}`;
    byName.set(key, [...(byName.get(key) ?? []), table]);
  };
  for (const table of tables) {
    const { name, x, y } = table.data;
    for (const item of new Set([name, x?.name, y?.name])) if (item) add(table.image, item, table);
  }
  for (const finding of review.findings) {
    const concernedTables = byName.get(`${finding.image} ${finding.table}`) ?? [];
    for (const table of concernedTables) table.findings.push(finding);
    tablesOf.set(finding, concernedTables);
  }
}
assignFindings();

/** The findings in the order of reading: that of the document, waived ones last. */
const findingsInOrder = [...review.findings].sort((first, second) => Boolean(first.waiver) - Boolean(second.waiver));
