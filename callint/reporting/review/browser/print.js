// The page on paper. A grid is printed as lines of text, one row of a table for each line: Chromium takes
// minutes to print hundreds of thousands of cells as elements, and their tags fill the file.

/** The largest number of characters of a line in the smallest legible font, 6 points. */
const mostCharacters = 144;
/** A grid with more rows or longer lines is cut to its changes and their neighbours. */
const mostWholeRows = 24;
/** The largest number of tables whose pictures are printed: pictures take longer to print than their tables. */
const mostPictures = 60;
/** The width of a sheet, and of a character relative to the size of its font. */
const [sheetPoints, characterWidth] = [520, 0.605];

/** The indexes along an axis with a change, a finding or a moved breakpoint, and their neighbours. */
function changedNeighbours(table, side) {
  const size = side === "x" ? table.data.nx : table.data.ny;
  const kept = new Set();
  const keep = (index) => [index - 1, index, index + 1].forEach((near) => near >= 0 && near < size && kept.add(near));
  for (const cell of [...table.changed, ...table.findingsByCell.keys()]) keep(table.at(cell)[side === "x" ? 0 : 1]);
  for (let index = 0; index < size; index += 1) {
    if (table.data[side] && (table.isMoved(side, index) || table.breakpointFindings(side, index).length)) keep(index);
  }
  return [...kept].sort((first, second) => first - second);
}

function indexesOf(size) {
  return Array.from({ length: size }, (_, index) => index);
}

/** The letter of the worst open finding in front of a value; "" without one. */
function paperLetter(findings) {
  const open = (findings ?? []).filter((finding) => !finding.waiver).map(({ severity }) => severity);
  return severities.find((severity) => open.includes(severity))?.[0].toUpperCase() ?? "";
}

/** A cell on paper: its text, the old value to print below it, and whether it changed. */
function paperCell(table, cell) {
  const letter = paperLetter(table.findingsByCell.get(cell));
  if (!table.isChanged(cell)) return { text: `${letter}${table.new(cell)}`, was: "", marked: letter !== "" };
  return { text: `${letter}${markSigns[table.direction(cell)]}${table.new(cell)}`, was: table.old(cell), marked: true };
}

function paperBreakpoint(table, side, index) {
  const [text, was] = [table.breakpoint(side, index), table.breakpoint(side, index, "old")];
  const letter = paperLetter(table.breakpointFindings(side, index));
  if (!table.isMoved(side, index)) return { text: `${letter}${text}`, was: "", marked: false };
  const sign = markSigns[Number(text) < Number(was) ? "lowered" : "raised"];
  return { text: `${letter}${sign}${text}`, was, marked: true };
}

/** What is printed of a table: its rows and columns, the width of its cells and of its row labels. */
function paperLayout(table) {
  const { data } = table;
  let [rows, columns] = [indexesOf(data.ny), indexesOf(data.nx)];
  const labels = rows.map((y) => (data.y ? paperBreakpoint(table, "y", y) : { text: "Value", was: "", marked: false }));
  const lead = Math.max(...labels.flatMap(({ text, was }) => [text.length, was.length]));
  const heads = columns.map((x) => (data.x ? paperBreakpoint(table, "x", x) : { text: "", was: "", marked: false }));
  const lengths = heads.flatMap(({ text, was }) => [text.length, was.length]);
  for (let cell = 0; cell < table.size; cell += 1) {
    const { text, was } = paperCell(table, cell);
    lengths.push(text.length, was.length);
  }
  const width = lengths.reduce((first, second) => Math.max(first, second)) + 1;
  if (rows.length > mostWholeRows || lead + width * columns.length > mostCharacters) {
    [rows, columns] = [changedNeighbours(table, "y"), changedNeighbours(table, "x")];
    if (!rows.length) rows = indexesOf(Math.min(data.ny, mostWholeRows));
    if (!columns.length) columns = indexesOf(data.nx);
  }
  return { table, rows, columns, lead, width, labels, heads };
}

/** A line of cells, and a second one with their old values if there are any. */
function paperLine(layout, label, cells) {
  const pad = (text, width) => text.padStart(width);
  const parts = [pad(label.text, layout.lead)];
  for (const { text, marked } of cells) {
    if (marked) parts.push(" ".repeat(layout.width - text.length), make("b", {}, text));
    else parts.push(pad(text, layout.width));
  }
  if (label.was || cells.some(({ was }) => was)) {
    parts.push(`\n${[pad(label.was, layout.lead), ...cells.map(({ was }) => pad(was, layout.width))].join("").trimEnd()}`);
  }
  return joinTexts(parts);
}

/** Neighbouring texts as one, so that a line has few parts. */
function joinTexts(parts) {
  const joined = [];
  for (const part of parts) {
    if (typeof part === "string" && typeof joined.at(-1) === "string") joined.push(joined.pop() + part);
    else joined.push(part);
  }
  return joined;
}

/** One block of columns of a table as lines of text, with the breakpoints above. */
function drawPaperBlock(layout, columns) {
  const { table, rows } = layout;
  const { x, y, unit } = table.data;
  const axes = [y && `${axisName(y)} down`, x && `${axisName(x)} across`].filter(Boolean).join(", ");
  const heading = [withUnit("Values", unit && unit !== "-" ? `in ${unit}` : ""), axes].filter(Boolean).join("; ");
  const head = x ? ["\n", ...paperLine(layout, { text: "", was: "" }, columns.map((index) => layout.heads[index]))] : [];
  const body = rows.map((row) => make("tr", {}, make("td", { class: paperEdges(layout, columns, row) },
    ...paperLine(layout, layout.labels[row], columns.map((column) => paperCell(table, table.cell(column, row)))))));
  const block = make("table", { class: "paper" }, make("thead", {}, make("tr", {}, make("th", { scope: "col" }, heading, ...head))),
    make("tbody", {}, ...body));
  setPaperFrame(block, layout, columns);
  return block;
}

/** Which edges of the operating range a row has, as classes. */
function paperEdges({ table, rows }, columns, row) {
  const { x, y, ny } = table.data;
  if (!x?.operating && !y?.operating) return undefined;
  const [top, bottom] = y?.operating ?? [0, ny - 1];
  const [left, right] = x?.operating ?? [0, table.data.nx - 1];
  if (row < top || row > bottom || columns.at(-1) < left || columns[0] > right || !rows.length) return undefined;
  return ["inside", row === top && "top", row === bottom && "bottom"].filter(Boolean).join(" ");
}

/** Where the frame around the operating range begins and ends, in characters; outside if another block has it. */
function setPaperFrame(block, { table, lead, width }, columns) {
  const [left, right] = table.data.x?.operating ?? [0, table.data.nx - 1];
  const inside = columns.filter((column) => column >= left && column <= right);
  if (!inside.length) return;
  const first = lead + 0.5 + columns.indexOf(inside[0]) * width;
  const last = lead + 0.5 + (columns.indexOf(inside.at(-1)) + 1) * width;
  for (const [name, value] of [["--from", first], ["--length", last - first]]) block.style.setProperty(name, value);
  block.style.setProperty("--left", inside[0] === left ? first : -9);
  block.style.setProperty("--right", inside.at(-1) === right ? last : -9);
}

/** What is left out of a table on paper; "" if nothing is. */
function leftOutText({ table, rows, columns }) {
  const parts = [[table.data.ny - rows.length, "row"], [table.data.nx - columns.length, "column"]];
  const texts = parts.filter(([amount]) => amount).map(([amount, noun]) => count(amount, noun));
  if (!texts.length) return "";
  return `Left out here: ${texts.join(" and ")} with no change in or next to them.`;
}

/** A table on paper: blocks of columns that fit a sheet, and what is left out. */
function drawPaper(table, hasPictures) {
  const layout = paperLayout(table);
  const most = Math.max(1, Math.floor((mostCharacters - layout.lead) / layout.width));
  const amount = Math.ceil(layout.columns.length / most);
  const size = Math.ceil(layout.columns.length / amount);
  const blocks = indexesOf(amount).map((number) => drawPaperBlock(layout, layout.columns.slice(number * size, (number + 1) * size)));
  const fontSize = Math.min(8, sheetPoints / (characterWidth * (layout.lead + layout.width * size + 1)));
  const noPictures = table.isPlottable && !hasPictures ? `Only the first ${mostPictures} tables have pictures on paper.` : "";
  const left = [leftOutText(layout), noPictures].filter(Boolean).join(" ");
  const paper = make("div", { class: "on-paper" }, ...blocks, left && make("p", { class: "table-note" }, left));
  paper.style.setProperty("--print-size", `${fontSize.toFixed(2)}pt`);
  return paper;
}

/** Who decided what, what was accepted and read, for the job card. */
function decisionOnCard() {
  const { signed, name, role, day, decision, progress } = signOff;
  const who = signed ? ` by ${name}, ${role}, on ${day}` : "";
  const accepted = points.filter((point) => signOff.isAccepted(point)).length;
  const parts = [`${decisions[decision]}${who}`, accepted ? `${accepted} of ${count(points.length, "open mistake")} accepted` : "", progress];
  return `${parts.filter(Boolean).join("; ")}.`;
}

/** Draws every table for paper before the page is printed, and removes the drawings afterwards. */
function preparePrinting() {
  let opened = [];
  window.addEventListener("beforeprint", () => {
    pageState.sections.forEach((section, index) => {
      section.draw();
      if (index < mostPictures) section.drawPictures();
      else section.article.classList.add("without-pictures");
      // Chromium counts hidden cells too when it lays sheets out, so the grids are taken away.
      section.paper = drawPaper(section.table, index < mostPictures);
      section.grids.replaceWith(section.paper);
    });
    opened = [...pageState.findingItems.map((item) => item.closest("details")), ...document.querySelectorAll(".acceptance")]
      .filter((details) => details && !details.open);
    for (const details of opened) details.open = true;
    const decided = document.querySelector(".card .decided");
    if (decided) decided.textContent = decisionOnCard();
  });
  window.addEventListener("afterprint", () => {
    for (const section of pageState.sections) section.paper?.replaceWith(section.grids);
    for (const details of opened) details.open = false;
  });
}
