// Sort, filter, theme, print. The page is whole without this; nothing here reads or writes markup.
"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const table = byId("site-table");
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  const heads = Array.from(table.tHead.rows[0].cells);
  const sheets = new Map(Array.from(document.querySelectorAll(".sheet"), (s) => [s.id, s]));
  const collator = new Intl.Collator(document.documentElement.lang, { numeric: true });

  const keyOf = (row, column) => {
    const cell = row.cells[column];
    const key = cell.dataset.sort ?? cell.textContent.trim();
    return key === "" ? null : key;
  };
  const sortBy = (column, direction) => {
    const sign = direction === "ascending" ? 1 : -1;
    const sorted = rows.slice().sort((a, b) => {
      const [x, y] = [keyOf(a, column), keyOf(b, column)];
      if (x === null || y === null) return (x === null) - (y === null); // empty cells stay last
      const [p, q] = [Number(x), Number(y)];
      return sign * (Number.isNaN(p) || Number.isNaN(q) ? collator.compare(x, y) : p - q);
    });
    body.append(...sorted);
    heads.forEach((head, at) => {
      if (at === column) head.setAttribute("aria-sort", direction);
      else head.removeAttribute("aria-sort");
    });
  };

  const opposite = (direction) => direction === "ascending" ? "descending" : "ascending";
  const firstDirection = (head) => head.dataset.key === "gain" ? "descending" : "ascending";

  const select = byId("sort");
  heads.forEach((head, column) => {
    const words = head.querySelector(".sorter") ?? head;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = words.textContent.trim();
    words.replaceChildren(button);
    button.addEventListener("click", () => {
      const now = head.getAttribute("aria-sort") ?? opposite(firstDirection(head));
      sortBy(column, opposite(now));
    });
    select.append(new Option(button.textContent, String(column)));
  });
  select.value = String(heads.findIndex((head) => head.dataset.key === "verdict"));
  select.addEventListener("change", () => {
    const column = Number(select.value);
    sortBy(column, firstDirection(heads[column]));
  });

  const find = byId("find");
  const show = byId("show");
  const shown = byId("shown");
  const filter = () => {
    const words = find.value.trim().toLocaleLowerCase();
    let count = 0;
    for (const row of rows) {
      const fits = (!show.value || row.dataset.verdict === show.value) &&
        (!words || row.textContent.toLocaleLowerCase().includes(words));
      row.hidden = !fits;
      sheets.get(row.dataset.sheet).hidden = !fits;
      count += fits;
    }
    shown.textContent = shown.dataset.pattern.replace("{n}", count).replace("{total}", rows.length);
  };
  find.addEventListener("input", filter);
  show.addEventListener("change", filter);
  for (const link of document.querySelectorAll(".to-verdict")) {
    link.addEventListener("click", () => {
      show.value = link.dataset.verdict;
      find.value = "";
      filter();
    });
  }
  // A link to a sheet that the filter hides shows everything again.
  addEventListener("hashchange", () => {
    const sheet = sheets.get(location.hash.slice(1));
    if (!sheet?.hidden) return;
    show.value = "";
    find.value = "";
    filter();
    sheet.scrollIntoView();
  });
  const form = document.querySelector(".finder");
  form.addEventListener("submit", (event) => event.preventDefault());
  form.hidden = false;
  filter();

  const root = document.documentElement;
  const themeKey = "afterrains-theme";
  const keep = (value) => { try { localStorage.setItem(themeKey, value); } catch { /* not allowed */ } };
  try { if (localStorage.getItem(themeKey)) root.dataset.theme = localStorage.getItem(themeKey); } catch { /* not allowed */ }
  byId("theme").addEventListener("click", () => {
    const dark = root.dataset.theme
      ? root.dataset.theme === "dark"
      : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = dark ? "light" : "dark";
    keep(root.dataset.theme);
  });
  byId("print").addEventListener("click", () => print());
  document.querySelector(".tools").hidden = false;
})();
