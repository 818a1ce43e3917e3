"""The one script of a page: tables sort and filter, what is folded opens for print. Without it the page is whole."""

from base64 import b64encode
from hashlib import sha256

SCRIPT = """
"use strict";
(() => {
  const order = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });
  const amount = /^[<≤-]?\\s*\\d+(\\.\\d+)?(e[-+]?\\d+)?(?![\\d-])/i;
  const told = cell => cell.dataset.sort ?? cell.textContent.trim();

  function sort(table, place, head) {
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const other of head.parentNode.cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const body = table.tBodies[0];
    const rows = [...body.rows].map(row => ({ row, key: told(row.cells[place]) }));
    const full = rows.filter(one => one.key !== ""), empty = rows.filter(one => one.key === "");
    if (full.every(one => amount.test(one.key))) {
      for (const one of full) one.key = parseFloat(one.key.replace(/^[<≤]\\s*/, ""));
      full.sort((a, b) => a.key - b.key);
    } else full.sort((a, b) => order.compare(a.key, b.key));
    if (down) full.reverse();
    body.append(...full.map(one => one.row), ...empty.map(one => one.row));
  }

  function filter(table) {
    const label = document.createElement("label"), field = document.createElement("input");
    const count = document.createElement("span"), rows = [...table.tBodies[0].rows];
    const words = rows.map(row => row.textContent.toLowerCase());
    field.type = "search";
    count.setAttribute("role", "status");
    field.addEventListener("input", () => {
      const asked = field.value.toLowerCase().split(/\\s+/);
      let n = 0;
      rows.forEach((row, i) => { n += !(row.hidden = !asked.every(word => words[i].includes(word))); });
      count.textContent = field.value.trim() ? ` ${n} of ${rows.length} rows` : "";
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
    if (rows >= 10) filter(table);
  }
  addEventListener("beforeprint", () => {
    for (const part of document.querySelectorAll("details.full")) part.open = true;
  });
})();
"""

# what a page allows to run: this text and nothing else
ALLOWED = f"'sha256-{b64encode(sha256(SCRIPT.encode()).digest()).decode()}'"
OWN_SCRIPT = f"<script>{SCRIPT}</script>\n"
