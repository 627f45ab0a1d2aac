// The address of the page: a place in it and, behind "?", the filter. Back and Forward lead along the places.

/** The entry of the browser's history that is shown, and what had the focus when the reader left an entry. */
const route = { index: 0, origins: [], followed: undefined };

/** The place and the filter of a link; a place is a table, its cell, a finding, or the id of an element. */
function readLink(hash = window.location.hash) {
  const [, place, query] = /^#?([^?]*)(?:\?(.*))?$/s.exec(hash);
  let decoded = place;
  try {
    decoded = decodeURIComponent(place);
  } catch {
    // The address is not from this page.
  }
  return { place: decoded, query: new URLSearchParams(query ?? ""), hasFilter: query !== undefined };
}

/** The key of the table in a place: to move within a table is no new place to go back to. */
function tableOf(place) {
  return place.replace(/\/\d+,\d+$/, "");
}

/**
 * Puts a place into the page's address, with the filter. A place elsewhere, or another filter, is a new entry of
 * the browser's history, unless `isSamePlace` says that the reader did not leave the entry that is shown.
 */
function setLink(place, isSamePlace = false) {
  const query = filterQuery();
  const link = `#${encodeURI(place)}${query ? `?${query}` : ""}`;
  if (link === (window.location.hash || "#")) return;
  const before = readLink();
  const isStep = isSamePlace || (place !== "" && tableOf(place) === tableOf(before.place) && query === before.query.toString());
  route.followed = link;
  try {
    if (isStep) {
      window.history.replaceState({ index: route.index }, "", link);
    } else {
      route.origins[route.index] = document.activeElement;
      window.history.pushState({ index: route.index + 1 }, "", link);
    }
  } catch {
    // Some browsers limit the rate, others forbid it for files; the page works without it.
  }
  // A browser may also ignore what comes too fast.
  route.index = window.history.state?.index ?? route.index;
}

/** Goes where a link of the page leads; its filter, if it has one, replaces the current one. */
function openLink(hash) {
  const { place, query, hasFilter } = readLink(hash);
  if (hasFilter) setFilter(query);
  bar.say("");
  setLink(place);
  followPlace(place);
}

/** Shows what the page's address names. */
function followAddress(isReturn) {
  const { place, query } = readLink();
  route.followed = window.location.hash;
  pageState.releasePosition?.();
  setFilter(query);
  bar.say("");
  followPlace(place, isReturn);
}

/** Goes to a finding, a table, a cell or an element. On a return, the browser scrolls to an element by itself. */
function followPlace(place, isReturn = false) {
  const finding = /^finding-(\d+)$/.exec(place);
  const [, key, x, y] = /^(.*?)(?:\/(\d+),(\d+))?$/s.exec(place);
  const section = pageState.sections.find(({ table }) => table.key === key)
    ?? pageState.sections.find(({ table }) => `${table.image.id}.${table.data.name}` === key);
  if (!section) {
    const element = document.getElementById(place);
    const isKnown = place === "" || element || (finding && showFinding(Number(finding[1]), { link: false }));
    if (!isKnown) bar.say("This link names nothing here.");
    if (isReturn && !finding) focusOrigin();
    else if (element) showElement(element);
    return;
  }
  reveal(section);
  const isCell = x !== undefined && section.table.has(Number(x), Number(y));
  if (x !== undefined && !isCell) bar.say("This link names no cell of this table.");
  section.show({ focus: !isCell, link: false });
  if (isCell) section.choose(section.table.cell(Number(x), Number(y)), { focus: true, link: false });
}

/** Shows a section although the filter hides it, which takes the filter away. */
function reveal(section) {
  if (!section.article.hidden) return;
  clearFilter({ isSamePlace: true });
  bar.say("The filter is cleared: it hid this.");
}

function showElement(element) {
  element.closest("details")?.setAttribute("open", "");
  element.scrollIntoView({ block: "start" });
  const target = element.matches("section") ? element.querySelector("h2, h3") ?? element : element;
  if (!target.hasAttribute("tabindex")) target.tabIndex = -1;
  target.focus({ preventScroll: true });
}

/** Gives the focus back to the link or button that led away from this entry. */
function focusOrigin() {
  const origin = route.origins[route.index];
  if (origin?.isConnected) origin.focus({ preventScroll: true });
}

function followHistory() {
  window.addEventListener("popstate", ({ state }) => {
    const isReturn = state?.index !== undefined;
    route.index = isReturn ? state.index : route.index + 1;
    if (!isReturn) window.history.replaceState({ index: route.index }, "");
    followAddress(isReturn);
  });
  // Not every browser reports an address that the reader changed as the event above.
  window.addEventListener("hashchange", () => {
    if (window.location.hash !== route.followed) followAddress(false);
  });
  // Without the script, such a link leads to the whole list.
  for (const link of document.querySelectorAll("a[data-filter]")) {
    link.href = `${link.getAttribute("href")}?${link.dataset.filter}`;
  }
  document.addEventListener("click", (event) => {
    const link = event.target.closest?.('a[href^="#"]');
    if (!link || event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    openLink(link.getAttribute("href"));
  });
  route.index = window.history.state?.index ?? 0;
  try {
    window.history.replaceState({ index: route.index }, "");
  } catch {
    // The page works without it.
  }
}
