// Runs of unchanged rows, folded to one line each.

/** The shortest run that folds, and the number of rows next to a change that stay in sight. */
const fewestFoldedRows = 3;
const rowsBesideChange = 1;

/**
 * The runs of rows of a table that fold, from the first to the last row of each; none is open.
 *
 * A row stays in sight if a cell or the breakpoint of it or of its neighbours changed, if it has a finding or an end
 * of the operating range, or if the reader should see it first. A moved column concerns every row.
 */
function foldsOf(table) {
  const { nx, ny, x, y } = table.data;
  const isColumnMoved = Array.from({ length: nx }, (_, index) => index).some((index) => table.isMoved("x", index));
  if (ny < fewestFoldedRows || isColumnMoved) return [];
  const isShown = Array.from({ length: ny }, (_, row) => row === Math.floor(table.first / nx)
    || table.breakpointFindings("y", row).length > 0);
  const show = (row, beside = 0) => isShown.fill(true, Math.max(0, row - beside), row + beside + 1);
  for (const cell of table.changed) show(Math.floor(cell / nx), rowsBesideChange);
  for (const cell of table.findingsByCell.keys()) show(Math.floor(cell / nx));
  for (let row = 0; row < ny; row += 1) if (table.isMoved("y", row)) show(row, rowsBesideChange);
  if (x?.operating || y?.operating) for (const row of y?.operating ?? [0, ny - 1]) show(row);
  const folds = [];
  for (let row = 0; row < ny; row += 1) {
    if (isShown[row]) continue;
    if (folds.at(-1)?.last === row - 1) folds.at(-1).last = row;
    else folds.push({ first: row, last: row, isOpen: false });
  }
  return folds.filter(({ first, last }) => last - first + 1 >= fewestFoldedRows);
}

function foldText(table, { first, last }) {
  const ends = `${table.breakpoint("y", first)} to ${table.breakpoint("y", last)}`;
  return `rows ${withUnit(ends, table.data.y?.unit)}: ${last - first + 1} unchanged`;
}

/** The line that stands for a run of rows: a button, or a text in the grid beside, which follows. */
function drawFoldLine(grid, fold, rows) {
  const text = foldText(grid.table, fold);
  const mark = make("span", { class: "fold-mark", "aria-hidden": "true" });
  const line = grid.isBeside ? make("span", {}, mark, text) : make("button", {
    type: "button", "aria-expanded": "false", "aria-controls": rows.id, onclick: () => grid.onFold(fold),
  }, mark, text);
  const cell = make("td", { colspan: grid.table.data.nx + 1, role: grid.roles.cell }, line);
  return { line, body: make("tbody", { class: "fold", role: "rowgroup" }, make("tr", { role: "row" }, cell)) };
}

/** Hides rows so that the browser's search still finds them and opens them, where it can. */
function setRowsOpen({ line, rows }, isOpen) {
  if (line.matches("button")) line.setAttribute("aria-expanded", String(isOpen));
  line.closest("tbody").classList.toggle("open", isOpen);
  if (isOpen) rows.removeAttribute("hidden");
  else rows.setAttribute("hidden", "onbeforematch" in rows ? "until-found" : "");
}
