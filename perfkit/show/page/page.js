// The published page: sort, filter and download every table; start the explorer.
// Runs in one module with explorer.js, from which `render` and `download` come.

const data = JSON.parse(document.getElementById("data").textContent);
const SHOWN_AT_FIRST = 60;
const STACKED_UP_TO = 25;

function compareKeys(one, other) {
  if (one === "" || other === "") return (one === "") - (other === "");
  const [a, b] = [Number(one), Number(other)];
  return Number.isNaN(a) || Number.isNaN(b) ? one.localeCompare(other) : a - b;
}

/** On a narrow screen show each row as a card; the roles keep it a table for a screen reader. */
function stack(sheet, table, rows, heads) {
  const titles = heads.map((head) => head.textContent);
  const [top, body] = [table.tHead, table.tBodies[0]];
  sheet.classList.add("stacks");
  table.setAttribute("role", "table");
  [top, body].forEach((group) => group.setAttribute("role", "rowgroup"));
  [top.rows[0], ...rows].forEach((row) => row.setAttribute("role", "row"));
  heads.forEach((head) => head.setAttribute("role", "columnheader"));
  rows.forEach((row) => [...row.cells].forEach((cell, column) => {
    cell.setAttribute("role", column ? "cell" : "rowheader");
    cell.dataset.t = titles[column];
  }));
}

/** Give one static table its controls; the rows themselves came with the page. */
function enhance(sheet) {
  const table = sheet.querySelector("table");
  const body = table.tBodies[0];
  const rows = [...body.rows];
  const lines = data.tables[sheet.dataset.name];
  const heads = [...table.tHead.rows[0].cells];
  const texts = rows.map((row) => row.textContent.toLowerCase());
  let order = rows.map((_, i) => i);
  let wanted = "";
  let most = SHOWN_AT_FIRST;

  const count = document.createElement("span");
  count.className = "count";
  count.setAttribute("role", "status");
  const more = document.createElement("button");
  more.type = "button";
  more.className = "more";
  more.textContent = "Show all rows";

  const chosen = () => order.filter((i) => texts[i].includes(wanted));

  function show() {
    const visible = chosen();
    body.replaceChildren(...visible.slice(0, most).map((i) => rows[i]));
    const seen = Math.min(visible.length, most);
    count.textContent = `${seen} of ${rows.length} ${rows.length === 1 ? "row" : "rows"}`;
    more.hidden = visible.length <= most;
  }

  if (rows.length <= STACKED_UP_TO) stack(sheet, table, rows, heads);
  heads.forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    head.setAttribute("aria-sort", "none");
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((other) => other.setAttribute("aria-sort", "none"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const key = (i) => rows[i].cells[column].dataset.k ?? rows[i].cells[column].textContent;
      order = rows.map((_, i) => i).sort((a, b) => {
        const [one, other] = [key(a), key(b)];
        const compared = compareKeys(one, other);
        return down && one !== "" && other !== "" ? -compared : compared;
      });
      show();
    });
  });

  more.addEventListener("click", () => {
    most = Infinity;
    show();
  });
  const tools = document.createElement("div");
  tools.className = "tools";
  if (rows.length > 8) {
    const label = document.createElement("label");
    const input = document.createElement("input");
    input.type = "search";
    label.append("Show rows with", input);
    input.addEventListener("input", () => {
      wanted = input.value.trim().toLowerCase();
      show();
    });
    tools.append(label);
  }
  const save = document.createElement("button");
  save.type = "button";
  save.textContent = "Download CSV";
  save.setAttribute("aria-label", `Download ${sheet.dataset.name}.csv, the rows chosen here`);
  save.addEventListener("click", () => {
    download(lines[0] + chosen().map((i) => lines[i + 1]).join(""), `${sheet.dataset.name}.csv`);
  });
  tools.append(save, count);
  sheet.prepend(tools);
  sheet.append(more);
  show();
}

document.querySelectorAll(".sheet").forEach(enhance);

const place = document.getElementById("explorer");
if (place && data.explorer) {
  const kept = { payload: data.explorer, state: {} };
  const model = {
    get: (key) => kept[key],
    set: (key, value) => { kept[key] = value; },
    save_changes: () => {},
  };
  place.replaceChildren();
  render({ model, el: place });
}

// A printed page shows what is open; open everything first, and close it again after.
const closed = () => document.querySelectorAll("details.prints:not([open])");
let opened = [];
window.addEventListener("beforeprint", () => {
  opened = [...closed()];
  opened.forEach((part) => { part.open = true; });
});
window.addEventListener("afterprint", () => {
  opened.forEach((part) => { part.open = false; });
});

document.documentElement.dataset.ready = "yes";
