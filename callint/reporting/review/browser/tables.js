// The review document, and its tables as the other parts ask about them.

// Found by its type: a table may be called as anything else in the page.
const review = JSON.parse(document.querySelector('script[type="application/json"]').textContent);
const severities = ["error", "warning", "note"];
const several = review.images.length > 1;

/** All cells of pairs of a first cell and how many follow each other. */
function spread(spans) {
  return spans.flatMap(([first, length]) => Array.from({ length }, (_, n) => first + n));
}

function withUnit(text, unit) {
  return unit && unit !== "-" ? `${text} ${unit}` : text;
}

/** A list of so many texts, which may be written as one text with commas between. */
function listed(values, amount) {
  if (Array.isArray(values)) return values;
  return amount ? values.split(",") : [];
}

/** A changed table; a cell is its number, y * nx + x. */
class Table {
  constructor(image, data) {
    this.image = image;
    this.data = data;
    this.key = several ? `${image.id}.${data.name}` : data.name;
    this.title = data.title || data.name;
    this.size = data.nx * data.ny;
    this.findings = [];
  }

  /** What takes long for hundreds of tables is worked out when a table is first looked at. */
  once(name, make) {
    const value = make();
    Object.defineProperty(this, name, { value });
    return value;
  }

  /** The place of each changed cell in the lists of what changed. */
  get places() {
    return this.once("places", () => new Map(spread(this.data.cells).map((cell, place) => [cell, place])));
  }

  get changed() {
    return this.once("changed", () => [...this.places.keys()]);
  }

  get oldValues() {
    return this.once("oldValues", () => listed(this.data.old, this.size));
  }

  get newValues() {
    return this.once("newValues", () => listed(this.data.new, this.places.size));
  }

  get differences() {
    return this.once("differences", () => listed(this.data.difference, this.places.size));
  }

  get percents() {
    return this.once("percents", () => listed(this.data.percent, this.places.size));
  }

  /** The findings of each cell; those of a breakpoint belong to its axis. */
  get pinned() {
    return this.once("pinned", () => {
      const pinned = new Map();
      const pin = (cell, finding) => pinned.set(cell, [...(pinned.get(cell) ?? []), finding]);
      for (const finding of this.findings) {
        if (finding.table !== this.data.name) continue;
        if (finding.cell) pin(finding.cell[1] * this.data.nx + finding.cell[0], finding);
        for (const cell of spread(finding.cells ?? [])) pin(cell, finding);
      }
      return pinned;
    });
  }

  /** The findings of each breakpoint of an axis. */
  pinnedTo(side, place) {
    const name = this.data[side]?.name;
    return this.findings.filter((one) => one.table === name && one.cell && one.cell[0] === place);
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
    return this.places.has(cell);
  }

  old(cell) {
    return this.oldValues[cell];
  }

  new(cell) {
    return this.isChanged(cell) ? this.newValues[this.places.get(cell)] : this.old(cell);
  }

  raw(cell) {
    const old = this.data.old_raw[cell];
    return [old, this.isChanged(cell) ? this.data.new_raw[this.places.get(cell)] : old];
  }

  difference(cell) {
    return this.isChanged(cell) ? this.differences[this.places.get(cell)] : "";
  }

  percent(cell) {
    return this.isChanged(cell) ? this.percents[this.places.get(cell)] : "";
  }

  address(cell) {
    const [x, y] = this.at(cell);
    const place = this.data.order === "y-first" ? x * this.data.ny + y : cell;
    const address = this.data.at + place * this.data.stride;
    return `0x${address.toString(16).toUpperCase().padStart(5, "0")}`;
  }

  /** The breakpoints of an axis, "x" or "y", in the old or the new image. */
  breakpoints(side, view = "new") {
    const axis = this.data[side];
    return (view !== "old" && axis?.new) || (axis?.old ?? []);
  }

  /** One breakpoint; an image may say that it has fewer than the table has cells. */
  breakpoint(side, place, view = "new") {
    return this.breakpoints(side, view)[place] ?? "–";
  }

  /** Whether a breakpoint is another than it was. */
  isMoved(side, place) {
    return this.data[side]?.new !== undefined && this.breakpoint(side, place) !== this.breakpoint(side, place, "old");
  }

  /** Whether a breakpoint moved that both images have. */
  isShifted(side, place) {
    return this.isMoved(side, place) && [this.data[side].old, this.data[side].new].every((one) => place < one.length);
  }

  /** A breakpoint with its unit; one that moved as old and new, but in the old view as it was. */
  where(side, place, view = "new") {
    const text = this.breakpoint(side, place, view);
    const was = view !== "old" && this.isShifted(side, place) ? `${this.breakpoint(side, place, "old")} → ` : "";
    return withUnit(`${was}${text}`, this.data[side].unit);
  }

  /** Where a cell lies, in breakpoints and units. */
  place(cell, view = "new") {
    const [x, y] = this.at(cell);
    const words = [];
    if (this.data.x) words.push(this.where("x", x, view));
    if (this.data.y) words.push(this.where("y", y, view));
    return words.join(", ");
  }

  /** How many of a cell's own breakpoints moved. */
  moves(cell) {
    const [x, y] = this.at(cell);
    return this.isShifted("x", x) + this.isShifted("y", y);
  }

  off(view) {
    const name = view === "old" ? "offOld" : "offNew";
    const spans = view === "old" ? this.data.off : this.data.off_new;
    return Object.hasOwn(this, name) ? this[name] : this.once(name, () => new Set(spread(spans)));
  }

  /** Numbers to plot, in the old or the new image; NaN for a cell that is off or holds none. */
  numbers(view) {
    const name = view === "old" ? "oldNumbers" : "newNumbers";
    if (Object.hasOwn(this, name)) return this[name];
    return this.once(name, () => {
      const off = this.off(view);
      const text = (cell) => (view === "old" ? this.old(cell) : this.new(cell));
      return Array.from({ length: this.size }, (_, cell) => (off.has(cell) ? NaN : Number(text(cell))));
    });
  }

  /** The lowest and the highest number in either image. */
  get span() {
    return this.once("span", () => {
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
  get plots() {
    if (this.data.states || this.size < 2) return false;
    return this.numbers("old").filter(Number.isFinite).length > 1;
  }

  /** How a cell changed: "raised", "lowered", or "switched" where there is no difference to speak of. */
  direction(cell) {
    const difference = this.difference(cell);
    if (!difference || !Number.isFinite(Number(difference))) return "switched";
    return difference.startsWith("-") ? "lowered" : "raised";
  }

  get largest() {
    return this.once("largest", () =>
      Math.max(0, ...this.differences.map((text) => Math.abs(Number(text)) || 0)));
  }

  /** How much of the table's largest change a cell's is, from 1 to 4. */
  weight(cell) {
    if (this.direction(cell) === "switched") return 4;
    const share = Math.abs(Number(this.difference(cell))) / (this.largest || 1);
    return Math.min(4, 1 + Math.floor(share * 3.999));
  }

  /** Where a cell's value lies between the lowest and the highest, from 0 to 7. */
  shade(cell, view) {
    const [low, high] = this.span;
    const value = this.numbers(view)[cell];
    if (!Number.isFinite(value) || high === low || this.size === 1) return undefined;
    return Math.min(7, Math.floor((8 * (value - low)) / (high - low)));
  }

  /** The cell that a reader should see first: the worst finding, or else the largest change. */
  get first() {
    return this.once("first", () => {
      const open = [...this.pinned].filter(([, findings]) => findings.some((finding) => !finding.waiver));
      const rank = ([, findings]) => Math.min(...findings.map((one) => severities.indexOf(one.severity)));
      if (open.length) return open.reduce((best, one) => (rank(one) < rank(best) ? one : best))[0];
      let best = this.changed[0] ?? 0;
      for (const cell of this.changed) if (this.weight(cell) > this.weight(best)) best = cell;
      for (const cell of this.changed) {
        if (Math.abs(Number(this.difference(cell))) === this.largest) return cell;
      }
      return best;
    });
  }
}

const tables = review.images.flatMap((image) => image.tables.map((data) => new Table(image, data)));

/** The tables that a finding is about, itself or by an axis. */
const tablesOf = new Map();

function handOutFindings() {
  const byName = new Map();
  const enter = (image, name, table) => {
    const key = `${image.id} ${name}`;
    byName.set(key, [...(byName.get(key) ?? []), table]);
  };
  for (const table of tables) {
    const { name, x, y } = table.data;
    for (const one of new Set([name, x?.name, y?.name])) if (one) enter(table.image, one, table);
  }
  for (const finding of review.findings) {
    const concerned = byName.get(`${finding.image} ${finding.table}`) ?? [];
    for (const table of concerned) table.findings.push(finding);
    tablesOf.set(finding, concerned);
  }
}
handOutFindings();

/** The findings as they are read: among those that are as grave, what protects comes first. */
const inOrder = (() => {
  const protects = (finding) => tablesOf.get(finding).some(({ data }) => data.purpose === "protection");
  const place = (finding) => 10 * Boolean(finding.waiver) + 2 * severities.indexOf(finding.severity) + !protects(finding);
  return [...review.findings].sort((one, other) => place(one) - place(other));
})();
