// The widths of a grid's columns. They follow from the texts of all views, so that no view moves a column.

/** The narrowest column, as wide as a finger is sure to hit; in the font size of the grid. */
const narrowestColumn = 3.2;
/** Room beside a text: padding and borders, the sign of a direction, the letter of a finding. */
const cellRoom = { padding: 0.84, mark: 0.78, pin: 1.35 };
/** The width of the header of the rows in which the name of an axis breaks into lines. */
const signalRoom = { least: 5.4, most: 8.6 };
const plainNumber = /^[+-]?\d+(\.\d+)?$/;

/** Measures texts of one weight in the page's font, relative to the font size. */
class TextRuler {
  constructor(weight) {
    this.context = document.createElement("canvas").getContext("2d");
    this.context.font = `${weight} 100px ${getComputedStyle(document.body).fontFamily}`;
    this.widths = new Map();
    [this.digit, this.point] = [this.measured("0"), this.measured(".")];
  }

  measured(text) {
    if (!this.widths.has(text)) this.widths.set(text, this.context.measureText(text).width / 100);
    return this.widths.get(text);
  }

  /** The width of a text. A page has too many numbers to measure each; their digits are equally wide. */
  width(text) {
    if (!plainNumber.test(text)) return this.measured(text);
    const sign = text[0] === "+" || text[0] === "-" ? this.measured(text[0]) : 0;
    const point = text.includes(".") ? this.point : 0;
    return (text.length - Boolean(sign) - Boolean(point)) * this.digit + sign + point;
  }
}

const rulers = {
  get regular() {
    return fixed(this, "regular", new TextRuler("normal"));
  },
  get bold() {
    return fixed(this, "bold", new TextRuler("bold"));
  },
};

/** Replaces a property that computes its value by the value. */
function fixed(holder, name, value) {
  Object.defineProperty(holder, name, { value });
  return value;
}

/** The widest text of a cell in any view, with what stands beside it. */
function cellWidth(table, cell) {
  const pin = table.findingsByCell.has(cell) ? cellRoom.pin : 0;
  if (!table.isChanged(cell)) return pin + rulers.regular.width(table.old(cell));
  const marked = [table.new(cell), changeTextOf(table, cell)].map((text) => rulers.bold.width(text));
  return pin + Math.max(rulers.bold.width(table.old(cell)), cellRoom.mark + Math.max(...marked));
}

function breakpointWidth(table, side, index) {
  const pin = table.breakpointFindings(side, index).length ? cellRoom.pin : 0;
  const mark = table.isMoved(side, index) ? cellRoom.mark : 0;
  const texts = views.map((view) => table.breakpoint(side, index, view));
  return pin + mark + Math.max(...texts.map((text) => rulers.bold.width(text)));
}

/** The widths of the header of the rows: of its breakpoints, and of a name that may break between words. */
function headWidths(table) {
  const { data } = table;
  const titles = data.y ? Array.from({ length: data.ny }, (_, y) => breakpointWidth(table, "y", y))
    : [rulers.bold.width(rowTitle(data))];
  const axis = data.y ?? data.x;
  const name = axis ? rulers.regular.width(axisName(axis)) + cellRoom.padding : 0;
  return {
    titles: Math.max(...titles) + cellRoom.padding,
    name: Math.min(Math.max(name, signalRoom.least), signalRoom.most),
  };
}

/** The widths of the columns of a table, relative to the font size: `head` and one in `cells` for each x. */
function columnWidths(table) {
  const { data } = table;
  const cells = Array.from({ length: data.nx }, (_, x) => (data.x ? breakpointWidth(table, "x", x) : 0));
  for (let cell = 0; cell < table.size; cell += 1) {
    const x = cell % data.nx;
    cells[x] = Math.max(cells[x], cellWidth(table, cell));
  }
  const time = data.logged ? 0.92 * Math.max(...["< 0.1 %", "100.0 %"].map((text) => rulers.regular.width(text))) : 0;
  const rounded = (width) => Math.max(narrowestColumn, Math.ceil(20 * (Math.max(width, time) + cellRoom.padding)) / 20);
  return { head: headWidths(table), cells: cells.map(rounded) };
}

/** Sets the widths of the columns as properties of a grid; equal neighbours are written once. */
function setColumns(element, { head, cells }) {
  const runs = [];
  cells.forEach((width, x) => {
    if (x && width === cells[x - 1]) runs.at(-1).amount += 1;
    else runs.push({ width, amount: 1 });
  });
  const name = `min(${head.name.toFixed(2)}em, var(--head-most, 100em))`;
  element.style.setProperty("--head", `max(${head.titles.toFixed(2)}em, ${name})`);
  element.style.setProperty("--columns", runs.map(({ width, amount }) => `repeat(${amount}, ${width}em)`).join(" "));
}
