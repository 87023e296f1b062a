// Sort, filter, compare, theme, print. The page is whole without this. The one markup that is read here
// is that of the sheets as the page was written; nothing that is typed, chosen or computed becomes markup.
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

  // Where there are many sheets, the body of each is text (noscript) until it comes near, is asked for
  // or goes to paper: hundreds of drawings at once would keep a slow machine busy for seconds.
  const fill = (sheet) => {
    const rest = sheet?.querySelector("noscript");
    if (!rest) return;
    const made = document.createElement("template");
    made.innerHTML = rest.textContent;
    rest.replaceWith(made.content);
  };
  const near = new IntersectionObserver((seen) => {
    for (const { isIntersecting, target } of seen) {
      if (!isIntersecting) continue;
      fill(target);
      near.unobserve(target);
    }
  }, { rootMargin: "1500px 0px" });
  if (document.body.className === "many") sheets.forEach((sheet) => near.observe(sheet));
  addEventListener("beforeprint", () => sheets.forEach(fill));
  // What stands above a sheet grows while it comes near, so the sheet is held in sight until that is
  // over or the reader moves.
  const target = () => sheets.get(location.hash.slice(1));
  let held = 0;
  const hold = () => {
    if (held-- <= 0 || !target()) return;
    target().scrollIntoView({ behavior: "instant" });
    requestAnimationFrame(hold);
  };
  const bringUp = (sheet) => {
    if (!sheet || document.body.className !== "many") return;
    fill(sheet);
    held = 30;
    hold();
  };
  for (const kind of ["wheel", "touchstart", "keydown", "pointerdown"]) {
    addEventListener(kind, () => { held = 0; }, { passive: true });
  }

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
    const sheet = target();
    if (sheet?.hidden) {
      show.value = "";
      find.value = "";
      filter();
      sheet.scrollIntoView();
    }
    bringUp(sheet);
  });
  const form = document.querySelector(".finder");
  form.addEventListener("submit", (event) => event.preventDefault());
  form.hidden = false;
  filter();
  bringUp(target());

  // --- side by side: everything is drawn from the page's own data, and only ever as text ---
  const { sites, groups, words, seasons, years, matters, ...span } =
    JSON.parse(byId("compare-data").textContent);
  const members = new Map([...Object.entries(groups), ...Object.entries(sites)]);
  const MOST = 6;
  const panel = byId("compare-panel");
  const choice = byId("compare-choice");
  const said = byId("compare-said");
  const note = byId("compare-note");
  let chosen = [];
  const put = (pattern, values) =>
    pattern.replace(/\{([a-z]+)\}/g, (whole, name) => values[name] ?? whole);
  const html = (tag, className, text) => {
    const made = document.createElement(tag);
    if (className) made.className = className;
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const drawn = (tag, attributes, text) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const known = (...lists) => lists.flat().filter((value) => value !== null && value !== undefined);
  const scaleOf = (values, start, stop) => {
    let low = Math.min(...values), high = Math.max(...values);
    if (!(high - low > 1e-9)) [low, high] = [low - 0.5, high + 0.5];
    const room = 0.05 * (high - low);
    [low, high] = [low - room, high + room];
    const at = (value) => +(start + (value - low) / (high - low) * (stop - start)).toFixed(1);
    return { low, high, at, inside: (value) => at(Math.min(Math.max(value, low), high)) };
  };
  const ticksOf = ({ low, high }, most) => {
    for (let power = Math.floor(Math.log10((high - low) / most)); ; power++) {
      for (const mantissa of [1, 2, 5]) {
        const step = mantissa * 10 ** power;
        const [first, last] = [Math.ceil(low / step - 1e-9), Math.floor(high / step + 1e-9)];
        if (last - first + 1 <= most) {
          const list = [];
          for (let n = first; n <= last; n++) list.push(n * step);
          return { list, decimals: Math.max(0, -power) };
        }
      }
    }
  };
  const figure = (value, decimals, signed) => {
    const text = Math.abs(value).toFixed(decimals).replace(".", words.decimal);
    return (value < 0 && Number(text.replace(words.decimal, ".")) ? "\u2212" : signed && value > 0 ? "+" : "") + text;
  };
  const WIDE = 320, LEFT = 42, RIGHT = 312;
  const frame = (svg, title, y, top, signed) => {
    svg.append(drawn("text", { class: "title", x: 0, y: top - 9 }, title));
    const { list, decimals } = ticksOf(y, 4);
    for (const value of list) {
      svg.append(drawn("path", { class: "grid", d: `M${LEFT} ${y.at(value)}H${RIGHT}` }));
      svg.append(drawn("text", { class: "y", x: LEFT - 5, y: y.at(value), dy: ".32em" }, figure(value, decimals, signed)));
    }
  };
  const lineOf = (points) => {
    let path = "", down = false;
    for (const point of points) {
      path += point ? `${down ? "L" : "M"}${point[0]} ${point[1]}` : "";
      down = Boolean(point);
    }
    return path;
  };
  const dotsOf = (points) => points.map((point) => point ? `M${point[0]} ${point[1]}h0` : "").join("");
  const chartOf = (member, scales) => {
    const { x, outcome, gain, rain } = scales;
    const svg = drawn("svg", { class: "chart", viewBox: `0 0 ${WIDE} 330`, role: "img" });
    svg.setAttribute("aria-label", `${member.label}. ${member.facts.map(([label, value]) => `${label}: ${value}`).join(". ")}`);
    const middle = seasons.map(([start, end]) => x.at((start + end) / 2));
    const placed = (values, y) => values.map((value, at) => value === null ? null : [middle[at], y.at(value)])
      .filter((_, at) => !seasons[at][2]);
    frame(svg, words[`outcome.${member.unit}`], outcome, 24);
    const control = placed(member.control, outcome), sown = placed(member.sown, outcome);
    svg.append(
      drawn("path", { class: "control", d: lineOf(control) }), drawn("path", { class: "control-dots", d: dotsOf(control) }),
      drawn("path", { class: "sown", d: lineOf(sown) }), drawn("path", { class: "sown-dots", d: dotsOf(sown) }),
    );
    frame(svg, words[`gain.${member.unit}`], gain, 154, true);
    svg.append(drawn("path", { class: "zero", d: `M${LEFT} ${gain.at(0)}H${RIGHT}` }));
    if (matters[member.unit] !== undefined) {
      svg.append(drawn("path", { class: "matters", d: `M${LEFT} ${gain.at(matters[member.unit])}H${RIGHT}` }));
    }
    let whiskers = "";
    member.gain.forEach((value, at) => {
      if (value === null || member.low[at] === null || member.high[at] === null) return;
      whiskers += `M${middle[at]} ${gain.inside(member.low[at])}V${gain.inside(member.high[at])}`;
    });
    svg.append(drawn("path", { class: "whisker", d: whiskers }));
    svg.append(drawn("path", { class: "sown-dots", d: dotsOf(placed(member.gain, gain)) }));
    frame(svg, words.rain, rain, 262);
    let bars = "";
    member.rain.forEach((value, at) => {
      if (value === null) return;
      const [left, right] = [x.at(seasons[at][0]), x.at(seasons[at][1] + 1)];
      bars += `M${left} 306V${rain.at(value)}H${Math.max(right, left + 1)}V306Z`;
    });
    svg.append(drawn("path", { class: "rain", d: bars }));
    let axis = `M${LEFT} 306H${RIGHT}`;
    const step = Math.ceil(years.length / 5);
    years.forEach(([day, label], at) => {
      axis += `M${x.at(day)} 306v4`;
      if (at % step === 0) svg.append(drawn("text", { class: "x", x: x.at(day), y: 322 }, label));
    });
    svg.append(drawn("path", { class: "axis", d: axis }));
    for (const day of member.days) {
      svg.append(drawn("path", { class: "sowing", d: `M${x.at(day)} 18V306` }));
      svg.append(drawn("use", { class: "seed", href: "#g-seed", x: x.at(day), y: 18 }));
    }
    return svg;
  };
  const scalesFor = (unit) => {
    const alike = chosen.map((key) => members.get(key)).filter((member) => member.unit === unit);
    const all = (name) => known(...alike.map((member) => member[name]));
    const gains = known(all("gain"), [0, matters[unit]]);
    // The first seasons' intervals are many times as wide as the newest: they may run off.
    const newest = alike.flatMap((member) => {
      const last = member.gain.findLastIndex((value) => value !== null);
      return last < 0 ? [] : known([member.low[last], member.high[last]]);
    });
    return {
      x: (({ from, to }) => ({ at: (day) => +(LEFT + (day - from) / (to - from) * (RIGHT - LEFT)).toFixed(1) }))(span),
      outcome: scaleOf(known(all("sown"), all("control")).length ? known(all("sown"), all("control")) : [0, 1], 122, 26),
      gain: scaleOf([...gains, ...newest], 232, 156),
      rain: (({ high }) => ({ low: 0, high, at: (value) => +(306 - value / high * 42).toFixed(1) }))(
        { high: 1.05 * Math.max(1, ...known(...chosen.map((key) => members.get(key).rain))) }),
    };
  };
  const keepAddress = () => {
    const hash = chosen.length ? `#compare=${chosen.join(",")}` : "#h-compare";
    try { history.replaceState(null, "", hash); } catch { location.hash = hash; }
  };
  const redraw = () => {
    const units = [...new Set(chosen.map((key) => members.get(key).unit))];
    const scales = Object.fromEntries(units.map((unit) => [unit, scalesFor(unit)]));
    panel.replaceChildren(...chosen.map((key) => {
      const member = members.get(key);
      const card = html("article", "member");
      const head = html("h3");
      if (member.verdict) {
        const mark = drawn("svg", { class: `glyph v-${member.verdict}`, viewBox: "-8 -8 16 16", "aria-hidden": "true" });
        mark.append(drawn("use", { href: `#g-${member.verdict}` }));
        head.append(mark, " ");
      }
      if (member.n) {
        const link = html("a");
        link.href = `#${key}`;
        link.append(html("span", "no", String(member.n)), " ", html("bdi", "", member.label));
        head.append(link);
      } else {
        head.append(html("bdi", "", member.label), " ", html("small", "", member.factor));
      }
      const remove = html("button", "remove", "\u00d7");
      remove.type = "button";
      remove.setAttribute("aria-label", put(words.remove, { name: member.label }));
      remove.addEventListener("click", () => drop(key));
      const top = html("header");
      top.append(head, remove);
      const list = html("dl", "facts");
      for (const [label, value] of member.facts) {
        const row = html("div");
        row.append(html("dt", "", label), html("dd", "", value));
        list.append(row);
      }
      card.append(top, chartOf(member, scales[member.unit]), list);
      return card;
    }));
    panel.dataset.count = String(chosen.length);
    byId("compare-clear").disabled = !chosen.length;
    const notes = chosen.length ? [words.key] : [];
    if (chosen.some((key) => groups[key])) notes.push(words.spread);
    if (units.length > 1) notes.push(words.units);
    note.textContent = notes.join(" ");
    note.hidden = !notes.length;
    if (!chosen.length) said.textContent = words.nothing;
  };
  const add = (key) => {
    if (!members.has(key) || chosen.includes(key)) return;
    if (chosen.length >= MOST) {
      said.textContent = put(words.full, { n: MOST });
      return;
    }
    chosen.push(key);
    said.textContent = put(words.added, { name: members.get(key).label, n: chosen.length });
    redraw();
    keepAddress();
  };
  const drop = (key) => {
    chosen = chosen.filter((each) => each !== key);
    said.textContent = put(words.removed, { name: members.get(key).label, n: chosen.length });
    redraw();
    keepAddress();
    (panel.querySelector(".remove") ?? choice).focus();
  };
  const readAddress = () => {
    const found = /^#compare=([a-z0-9,-]*)$/.exec(location.hash);
    if (!found) return;
    chosen = [...new Set(found[1].split(","))].filter((key) => members.has(key)).slice(0, MOST);
    said.textContent = "";
    redraw();
    byId("h-compare").scrollIntoView();
  };
  const byFactor = new Map();
  for (const [key, member] of members) {
    const title = member.n ? words.sites : member.factor;
    if (!byFactor.has(title)) byFactor.set(title, document.createElement("optgroup"));
    byFactor.get(title).label = title;
    byFactor.get(title).append(new Option(member.n ? `${member.n} ${member.label}` : member.label, key));
  }
  choice.append(...byFactor.values());
  byId("compare-add").addEventListener("click", () => add(choice.value));
  byId("compare-clear").addEventListener("click", () => {
    chosen = [];
    redraw();
    keepAddress();
    choice.focus();
  });
  // Every group in the table and every sheet can be put there with one press.
  const offer = (place, key, name) => {
    const button = html("button", "offer", words.short);
    button.type = "button";
    button.setAttribute("aria-label", name);
    button.addEventListener("click", () => {
      add(key);
      byId("h-compare").scrollIntoView();
    });
    place.append(" ", button);
  };
  for (const row of document.querySelectorAll("tr[data-group]")) {
    offer(row.cells[0], row.dataset.group, `${words.add}: ${members.get(row.dataset.group).label}`);
  }
  for (const [key, member] of Object.entries(sites)) {
    offer(sheets.get(key).querySelector(".around"), key, put(words.of_site, { n: member.n }));
  }
  addEventListener("hashchange", readAddress);
  redraw();
  readAddress();
  document.querySelector(".chooser").hidden = false;

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
