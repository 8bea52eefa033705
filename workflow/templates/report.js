"use strict";
{
// Contents beside the text are always open; above it, on narrow screens, they are one touch away
const contents = document.querySelector("nav details");
const wide = window.matchMedia("(min-width: 66.01rem)");
const fit = () => { contents.open = wide.matches; };
fit();
wide.addEventListener("change", fit);
contents.addEventListener("click", (event) => {
  if (event.target.closest("a") && !wide.matches) contents.open = false;
});

// The section in view is marked in the contents
const links = new Map([...contents.querySelectorAll("a")].map((a) => [a.hash.slice(1), a]));
const seen = new Set();
const watch = new IntersectionObserver((entries) => {
  for (const entry of entries) seen[entry.isIntersecting ? "add" : "delete"](entry.target.id);
  const first = [...links.keys()].find((id) => seen.has(id));
  for (const [id, a] of links) {
    if (id === first) a.setAttribute("aria-current", "true"); else a.removeAttribute("aria-current");
  }
});
document.querySelectorAll("main > section").forEach((section) => watch.observe(section));

// A link into a folded part unfolds it
const unfold = () => {
  const target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (!target) return;
  for (let part = target; part; part = part.parentElement) {
    if (part.localName === "details") part.open = true;
  }
  if (target.localName === "details") target.querySelector("summary").focus();
  target.scrollIntoView();
};
addEventListener("hashchange", unfold);
unfold();

// Everything is printed, folded or not
let folded = [];
addEventListener("beforeprint", () => {
  folded = [...document.querySelectorAll("main details:not([open])")];
  folded.forEach((part) => { part.open = true; });
});
addEventListener("afterprint", () => folded.forEach((part) => { part.open = false; }));

// Tables sort by any column: numbers by size, all else by letters; the third time as they were
const number = /^(?:[\u00d7<>]\s*)?([+-]?\d*\.?\d+(?:e[+-]?\d+)?)/i;
const valueOf = (row, column) => {
  const text = row.cells[column].textContent.trim();
  const figure = number.exec(text);
  return { text, size: text && figure ? Number(figure[1]) : NaN };
};
const sortBy = (table, column) => {
  const head = table.tHead.rows[0].cells[column];
  const before = head.getAttribute("aria-sort");
  const now = { ascending: "descending", descending: null }[before];
  const order = before === null ? "ascending" : now;
  for (const cell of table.tHead.rows[0].cells) cell.removeAttribute("aria-sort");
  const body = table.tBodies[0];
  const rows = [...body.rows].sort((a, b) => a.dataset.at - b.dataset.at);
  if (order) {
    head.setAttribute("aria-sort", order);
    const sign = order === "ascending" ? 1 : -1;
    const keyed = rows.map((row) => [valueOf(row, column), row]);
    const numbers = keyed.filter(([key]) => key.text).every(([key]) => !Number.isNaN(key.size));
    keyed.sort(([a], [b]) => {
      if (!a.text || !b.text) return (a.text ? 0 : 1) - (b.text ? 0 : 1);
      return sign * (numbers ? a.size - b.size : a.text.localeCompare(b.text, "en", { numeric: true }));
    });
    keyed.forEach(([, row]) => body.append(row));
  } else {
    rows.forEach((row) => body.append(row));
  }
};
for (const table of document.querySelectorAll("table.sorts")) {
  [...table.tBodies[0].rows].forEach((row, n) => { row.dataset.at = n; });
  [...table.tHead.rows[0].cells].forEach((cell, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...cell.childNodes);
    button.addEventListener("click", () => sortBy(table, column));
    cell.append(button);
  });
}
document.documentElement.dataset.ready = "yes";
}
