"use strict";
(() => {
  const order = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });
  const amount = /^[<≤-]?\s*\d+(\.\d+)?(e[-+]?\d+)?(?![\d-])/i;
  const told = cell => cell.dataset.sort ?? cell.textContent.trim();

  // a browser lays out a hundred rows at once; the rest of a long table waits behind a button, and prints
  const few = 100, held = new Map();
  function lay(table, whole) {
    const { rows, more } = held.get(table), shown = whole ? rows : rows.filter(row => !row.hidden);
    const all = whole || !more || more.dataset.pressed || shown.length <= few;
    table.tBodies[0].replaceChildren(...(all ? shown : shown.slice(0, few)));
    if (more) more.hidden = all;
  }

  function hold(table) {
    const rows = [...table.tBodies[0].rows];
    held.set(table, { rows });
    if (rows.length <= few) return;
    const more = held.get(table).more = document.createElement("button");
    more.type = "button";
    more.textContent = `the first ${few} rows are shown: show all`;
    more.addEventListener("click", () => { more.dataset.pressed = "yes"; lay(table); });
    table.after(more);
    lay(table);
  }

  function sort(table, place, head) {
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const other of head.parentNode.cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const own = held.get(table), rows = own.rows.map(row => ({ row, key: told(row.cells[place]) }));
    const full = rows.filter(one => one.key !== ""), empty = rows.filter(one => one.key === "");
    if (full.every(one => amount.test(one.key))) {
      for (const one of full) one.key = parseFloat(one.key.replace(/^[<≤]\s*/, ""));
    } else {
      // words are compared once each, not once a row
      const place = new Map([...new Set(full.map(one => one.key))].sort(order.compare).map((key, i) => [key, i]));
      for (const one of full) one.key = place.get(one.key);
    }
    full.sort((a, b) => a.key - b.key);
    if (down) full.reverse();
    own.rows = [...full, ...empty].map(one => one.row);
    lay(table);
  }

  function filter(table) {
    const label = document.createElement("label"), field = document.createElement("input");
    const count = document.createElement("span"), { rows } = held.get(table);
    const words = rows.map(row => row.textContent.toLowerCase());
    field.type = "search";
    count.setAttribute("role", "status");
    field.addEventListener("input", () => {
      const asked = field.value.toLowerCase().split(/\s+/);
      let n = 0;
      rows.forEach((row, i) => { n += !(row.hidden = !asked.every(word => words[i].includes(word))); });
      count.textContent = field.value.trim() ? ` ${n} of ${rows.length} rows` : "";
      lay(table);
    });
    label.className = "filter";
    label.append("only rows with ", field, count);
    table.parentNode.before(label);
  }

  for (const table of document.querySelectorAll("table")) {
    const rows = table.tBodies[0].rows.length;
    if (rows < 3 || !table.tHead) continue;
    [...table.tHead.rows[0].cells].forEach((head, place) => {
      if (table.tBodies[0].rows[0].cells[place].querySelector("div > svg:first-child")) return;
      const button = document.createElement("button");
      button.type = "button";
      button.setAttribute("aria-label", `sort by ${head.textContent}`);
      head.append(button);
      head.addEventListener("click", () => sort(table, place, head));
    });
    hold(table);
    if (rows >= 10) filter(table);
  }
  // a beer is followed through all drawings and tables; words of a mark are said where a pointer, a finger or keys are
  const now = document.createElement("p");
  now.className = "told-now";
  now.setAttribute("role", "status");
  let followed = null;
  const words = mark => mark.querySelector("title")?.textContent ?? "";
  const beers = one => (one.dataset.beer ?? "").split("\n");

  function follow(beer) {
    followed = beer && beer !== followed ? beer : null;
    let n = 0;
    for (const one of document.querySelectorAll("[data-beer]")) {
      n += one.classList.toggle("followed", followed !== null && beers(one).includes(followed)) ? 1 : 0;
    }
    document.body.classList.toggle("following", followed !== null);
    for (const one of document.querySelectorAll("button.beer")) {
      one.setAttribute("aria-pressed", String(one.textContent === followed));
    }
    now.textContent = followed ? `${followed}: ${n} marks and rows on this page; Escape ends` : "";
  }

  document.addEventListener("click", event => {
    const one = event.target.closest("[data-beer]");
    if (one && !event.target.closest("a, summary, input")) follow(beers(one)[0]);
    const mark = event.target.closest(".mark");
    if (mark && words(mark)) now.textContent = `${words(mark)}${followed ? "; Escape ends" : ""}`;
  });
  addEventListener("keydown", event => { if (event.key === "Escape") follow(null); });

  for (const drawn of document.querySelectorAll(".drawing")) {
    const marks = [...drawn.querySelectorAll(".mark:has(> title)")];
    if (!marks.length) continue;
    let at = -1;
    const leave = () => marks[at]?.classList.remove("at");
    drawn.addEventListener("focus", () => {
      now.textContent = `${marks.length} marks: arrow keys go from one to the next, Enter follows its beer`;
    });
    drawn.addEventListener("blur", leave);
    drawn.addEventListener("keydown", event => {
      const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
      if (event.key === "Enter" && at >= 0) follow(beers(marks[at])[0]);
      if (!step || event.altKey || event.ctrlKey || event.metaKey) return;
      event.preventDefault();
      leave();
      at = at < 0 ? (step > 0 ? 0 : marks.length - 1) : (at + step + marks.length) % marks.length;
      marks[at].classList.add("at");
      marks[at].scrollIntoView({ block: "nearest", inline: "nearest" });
      now.textContent = words(marks[at]);
    });
  }
  for (const head of document.querySelectorAll("table.dense tr[data-beer] > th")) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "beer";
    button.title = "follow this beer through the page";
    button.setAttribute("aria-pressed", "false");
    button.append(...head.childNodes);
    head.append(button);
  }
  document.body.append(now);

  addEventListener("beforeprint", () => {
    for (const part of document.querySelectorAll("details.full")) part.open = true;
    for (const [table, { more }] of held) if (more) lay(table, true);
  });
  addEventListener("afterprint", () => { for (const table of held.keys()) lay(table); });
})();
