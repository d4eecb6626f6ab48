// Prices, games and weights in; cost per frame, ranges and the frontier out.
// The arithmetic repeats perfkit.show.explorer.explore step by step; a test compares the two.
// One module serves the published page and the notebook, which hands in `model`.

const BASES = ["predicted", "borrowed", "measured"];

/** Draws of log(FPS) minus log of the average, one Float32Array a build and workload. */
export function readDraws(payload) {
  const bytes = Uint8Array.from(atob(payload.draws), (sign) => sign.charCodeAt(0));
  const all = new Float32Array(bytes.buffer);
  const width = payload.workloads.length;
  return payload.builds.map((_, b) =>
    payload.workloads.map((_, w) => {
      const start = (b * width + w) * payload.count;
      return all.subarray(start, start + payload.count);
    }),
  );
}

/** The state of the controls before anyone touched them. */
export function firstState(payload) {
  return {
    prices: payload.builds.map((build) => build.price),
    weights: payload.workloads.map((workload) => workload.weight),
    compared: payload.builds.map(() => true),
    goal: payload.goals.includes(60) ? 60 : (payload.goals[0] ?? 60),
  };
}

/** Which builds are compared, and over which workloads. */
export function commonGround(payload, state) {
  const used = payload.workloads.map((_, w) => w).filter((w) => state.weights[w] > 0);
  const numbers = (b) => used.filter((w) => payload.fps[b][w] !== null).length;
  const compared = payload.builds.map(
    (_, b) => state.compared[b] && numbers(b) > 0 && numbers(b) / used.length >= payload.half,
  );
  const common = used.filter(
    (w) => compared.includes(true) && compared.every((yes, b) => !yes || payload.fps[b][w] !== null),
  );
  return { used, numbers, compared, common };
}

function weightedMean(logs, weights) {
  let sum = 0;
  let total = 0;
  weights.forEach((weight, i) => {
    sum += weight * logs[i];
    total += weight;
  });
  return sum / total;
}

/** FPS of one build in each draw: the weighted geometric mean over the common workloads. */
function meanDraws(payload, draws, b, common, weights) {
  const total = weights.reduce((sum, weight) => sum + weight, 0);
  const centre = weightedMean(common.map((w) => Math.log(payload.fps[b][w])), weights);
  const result = new Float64Array(payload.count).fill(centre);
  common.forEach((w, i) => {
    const share = weights[i] / total;
    const own = draws[b][w];
    for (let d = 0; d < result.length; d += 1) result[d] += share * own[d];
  });
  return result.map(Math.exp);
}

/** Type 7 quantile (Hyndman and Fan 1996) of sorted values. */
function quantile(sorted, share) {
  const position = share * (sorted.length - 1);
  const below = Math.floor(position);
  const above = Math.min(below + 1, sorted.length - 1);
  return sorted[below] + (position - below) * (sorted[above] - sorted[below]);
}

function centralRange(values, level) {
  if (values.some(Number.isNaN)) return [NaN, NaN];
  const sorted = Float64Array.from(values).sort();
  return [quantile(sorted, (1 - level) / 2), quantile(sorted, (1 + level) / 2)];
}

/** Share of draws in which no other build is as cheap and as fast, and better in one of the two. */
function frontierShare(prices, speeds, known, b) {
  const rivals = known.filter((other) => other !== b && prices[other] <= prices[b]);
  let count = 0;
  for (let d = 0; d < speeds[b].length; d += 1) {
    const beaten = rivals.some((other) =>
      prices[other] < prices[b] ? speeds[other][d] >= speeds[b][d] : speeds[other][d] > speeds[b][d],
    );
    if (!beaten) count += 1;
  }
  return count / speeds[b].length;
}

/** Share of draws in which each known build has the lowest cost; the earlier one where equal. */
function lowestShares(prices, speeds, known) {
  const counts = new Map(known.map((b) => [b, 0]));
  const draws = known.length ? speeds[known[0]].length : 0;
  for (let d = 0; d < draws; d += 1) {
    let best = known[0];
    for (const b of known) {
      if (prices[b] / speeds[b][d] < prices[best] / speeds[best][d]) best = b;
    }
    counts.set(best, counts.get(best) + 1);
  }
  return new Map([...counts].map(([b, count]) => [b, count / draws]));
}

function whyNot(payload, state, ground, b, range) {
  const reasons = [];
  if (state.prices[b] === null) reasons.push(payload.builds[b].reason || "no price");
  if (!ground.used.length) reasons.push("no game is chosen");
  else if (!ground.compared[b]) {
    reasons.push(`${ground.numbers(b)} of ${ground.used.length} workloads have a number here`);
  } else if (!ground.common.length) {
    reasons.push("no workload has a number on every compared build");
  } else if (Number.isNaN(range[0])) reasons.push("range not known");
  return reasons.join("; ");
}

/** One row a chosen build: the page's form of `explore`. */
export function recompute(payload, state, draws = readDraws(payload)) {
  const ground = commonGround(payload, state);
  const weights = ground.common.map((w) => state.weights[w]);
  const total = weights.reduce((sum, weight) => sum + weight, 0);
  const counted = (b) => ground.compared[b] && ground.common.length > 0;
  const prices = state.prices.map((price) => price ?? NaN);
  const speeds = payload.builds.map((_, b) =>
    counted(b) ? meanDraws(payload, draws, b, ground.common, weights) : [NaN],
  );
  const known = payload.builds
    .map((_, b) => b)
    .filter((b) => prices[b] >= 0 && counted(b) && !speeds[b].some(Number.isNaN));
  const lowest = lowestShares(prices, speeds, known);
  return payload.builds.flatMap((build, b) => {
    if (!state.compared[b]) return [];
    const logs = ground.common.map((w) => Math.log(payload.fps[b][w] ?? NaN));
    const fps = counted(b) ? Math.exp(weightedMean(logs, weights)) : NaN;
    const range = centralRange(speeds[b], payload.level);
    const reached = ground.common.filter((w) => payload.fps[b][w] >= state.goal);
    const used = new Set(ground.common.map((w) => payload.basis[b][w]));
    return {
      build: build.name,
      price: prices[b],
      basis: counted(b) ? (BASES.find((basis) => used.has(basis)) ?? "") : "",
      fps,
      fps_low: range[0],
      fps_high: range[1],
      cost_per_frame: prices[b] / fps,
      cost_low: prices[b] / range[1],
      cost_high: prices[b] / range[0],
      on_frontier: known.includes(b) ? frontierShare(prices, speeds, known, b) : NaN,
      share_of_goal: counted(b)
        ? reached.reduce((sum, w) => sum + state.weights[w], 0) / total
        : NaN,
      best_value: lowest.get(b) ?? NaN,
      workloads: counted(b) ? ground.common.length : 0,
      passes: counted(b)
        ? ground.common.reduce((sum, w) => sum + payload.passes[b][w], 0)
        : 0,
      reason: whyNot(payload, state, ground, b, range),
    };
  });
}

// ---- words and numbers -------------------------------------------------------------------------

const known = (value) => typeof value === "number" && Number.isFinite(value);
export const fpsText = (value) => (known(value) ? value.toFixed(value < 99.95 ? 1 : 0) : "");
export const moneyText = (value) => (known(value) ? value.toFixed(2) : "");
const priceText = (value) => (known(value) ? value.toFixed(Number.isInteger(value) ? 0 : 2) : "");
const shareText = (value) => (known(value) ? `${Math.round(100 * value)}\u202f%` : "");

/** Ten significant digits, as every CSV of perfkit has them. */
export function numberText(value) {
  if (!known(value)) return "";
  const [digits, exponent] = (value + 0).toPrecision(10).split("e");
  const short = digits.includes(".") ? digits.replace(/\.?0+$/, "") : digits;
  return exponent === undefined ? short : `${short}e${exponent.replace(/^([+-])(\d)$/, "$10$2")}`;
}

/** Text a spreadsheet would run gets an apostrophe. */
export function safeText(text) {
  const seen = text.replace(/^'*[\u200b\u200e\u200f\u2060\ufeff \xa0\u3000]*/, "");
  return /^[=+\-@＝＋－＠\t\r\n]/.test(seen) ? `'${text}` : text;
}

function csvLine(cells) {
  const quoted = cells.map((text) =>
    /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text,
  );
  return `${quoted.join(",")}\n`;
}

/** The recomputed table as CSV. */
export function csvOf(rows) {
  if (!rows.length) return "";
  const names = Object.keys(rows[0]);
  const cell = (value) => (typeof value === "string" ? safeText(value) : numberText(value));
  return csvLine(names) + rows.map((row) => csvLine(names.map((name) => cell(row[name])))).join("");
}

/** A text as a literal that Python and a reader understand alike. */
function literal(text) {
  return JSON.stringify(text).replace(
    /[\u007f-\u009f\u00ad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff]/g,
    (sign) => `\\u${sign.charCodeAt(0).toString(16).padStart(4, "0")}`,
  );
}

/** What was chosen, as a call that gives the same table in Python. */
export function pythonCall(payload, state) {
  const first = firstState(payload);
  const changed = (values, before, items) =>
    values.flatMap((value, i) =>
      value === before[i] || value === null ? [] : [`${literal(items[i].name)}: ${value}`],
    );
  const prices = changed(state.prices, first.prices, payload.builds);
  const weights = changed(state.weights, first.weights, payload.workloads);
  const parts = ["analysis"];
  if (prices.length) parts.push(`prices={${prices.join(", ")}}`);
  if (weights.length) parts.push(`weights={${weights.join(", ")}}`);
  if (state.compared.includes(false)) {
    const chosen = payload.builds.filter((_, b) => state.compared[b]);
    parts.push(`builds=[${chosen.map((build) => literal(build.name)).join(", ")}]`);
  }
  parts.push(`goal_fps=${state.goal}`);
  return `explore(${parts.join(", ")})`;
}

// ---- what is seen ------------------------------------------------------------------------------

const SVG = "http://www.w3.org/2000/svg";
let instances = 0;

function node(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  Object.entries(attributes).forEach(([key, value]) => {
    if (value !== false) made.setAttribute(key, value === true ? "" : value);
  });
  made.append(...children);
  return made;
}

function shape(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  Object.entries(attributes).forEach(([key, value]) => made.setAttribute(key, value));
  if (text !== undefined) made.textContent = text;
  return made;
}

/** Control signs and direction overrides are taken out of what is shown. */
const visible = (text) =>
  text.replace(/[\0-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]/g, "");

/** A stranger's text: always text, and never able to turn the line around it. */
const name = (text) => node("bdi", {}, visible(text));

/** JupyterLab must leave the keys of a control to the control. */
const control = (kind, attributes) =>
  node(kind, { "data-lm-suppress-shortcuts": "true", ...attributes });

/** A round number near a fifth of the extent. */
function step(extent) {
  const power = 10 ** Math.floor(Math.log10(extent / 5));
  return [1, 2, 2.5, 5, 10].map((m) => m * power).find((s) => extent / s <= 6);
}

function ticks(top) {
  const by = step(top);
  return Array.from({ length: Math.floor(top / by + 1e-9) }, (_, i) => (i + 1) * by);
}

/** Price against speed from zero, so that a ray from the corner is one cost per frame. */
function drawChart(rows, numbers, currency, room) {
  const width = Math.max(280, Math.min(760, room));
  const height = Math.round(Math.max(250, 0.6 * width));
  const [left, right, top, bottom] = [44, 54, 44, 52];
  const svg = shape("svg", { viewBox: `0 0 ${width} ${height}`, role: "img" });
  const shown = rows.filter((row) => known(row.price) && known(row.fps));
  if (!shown.length) return svg;
  const most = 1.12 * Math.max(...shown.map((row) => row.price));
  const fastest = 1.08 * Math.max(...shown.map((row) => (known(row.fps_high) ? row.fps_high : row.fps)));
  const x = (price) => left + (price / most) * (width - left - right);
  const y = (fps) => height - bottom - (fps / fastest) * (height - top - bottom);
  const draw = (...parts) => svg.append(shape(...parts));

  ticks(fastest).forEach((fps) => {
    draw("line", { x1: left, x2: width - right, y1: y(fps), y2: y(fps), class: "pk-grid" });
    draw("text", { x: left - 10, y: y(fps) + 5, class: "pk-tick pk-end" }, fpsText(fps).replace(".0", ""));
  });
  ticks(most).forEach((price) => {
    draw("text", { x: x(price), y: height - bottom + 22, class: "pk-tick pk-mid" }, priceText(price));
  });
  draw("line", { x1: left, x2: width - right, y1: y(0), y2: y(0), class: "pk-base" });
  draw("text", { x: left, y: 16, class: "pk-axis" }, "average FPS");
  draw("text", { x: width - right, y: height - 8, class: "pk-axis pk-end" }, `price, ${currency}`);
  draw("text", { x: width - 4, y: 16, class: "pk-ray-text pk-end" }, `rays: ${currency} per frame`);

  const costs = shown.map((row) => row.cost_per_frame);
  const by = step(Math.max(...costs) - Math.min(...costs) || costs[0]);
  for (let cost = Math.ceil(Math.min(...costs) / by) * by; cost <= Math.max(...costs); cost += by) {
    const reach = Math.min(most, cost * fastest);
    const [endX, endY] = [x(reach), y(reach / cost)];
    draw("line", { x1: x(0), y1: y(0), x2: endX, y2: endY, class: "pk-ray" });
    const beside = reach < most ? { x: endX, y: endY - 6 } : { x: endX + 8, y: endY + 4 };
    const along = reach < most ? "pk-mid" : "";
    draw("text", { ...beside, class: `pk-ray-text ${along}` }, moneyText(cost));
  }

  const steps = [...shown].sort((a, b) => a.price - b.price || b.fps - a.fps);
  let path = "";
  let best = 0;
  steps.forEach((row) => {
    if (row.fps <= best) return;
    path += path ? `H${x(row.price)}V${y(row.fps)}` : `M${x(row.price)} ${y(row.fps)}`;
    best = row.fps;
  });
  draw("path", { d: `${path}H${width - right}`, class: "pk-frontier" });

  shown.forEach((row) => {
    if (known(row.fps_low)) {
      draw("line", {
        x1: x(row.price), x2: x(row.price), y1: y(row.fps_low), y2: y(row.fps_high), class: "pk-range",
      });
    }
  });
  shown.forEach((row) => {
    const at = { cx: x(row.price), cy: y(row.fps), r: width < 480 ? 10 : 13, class: `pk-mark pk-${row.basis}` };
    draw("circle", at);
    const label = { x: at.cx, y: at.cy + 5, class: `pk-number pk-on-${row.basis}` };
    draw("text", label, String(numbers.get(row.build)));
  });
  return svg;
}

const COLUMNS = [
  ["", "number", (row, c) => [String(c.numbers.get(row.build))]],
  ["Machine", "build", (row) => [name(row.build)]],
  ["Price", "price", (row) => [priceText(row.price)]],
  ["Average FPS", "fps", (row) => spread(fpsText, row.fps, row.fps_low, row.fps_high)],
  ["Cost per frame", "cost_per_frame",
    (row) => spread(moneyText, row.cost_per_frame, row.cost_low, row.cost_high)],
  ["On the frontier", "on_frontier", (row) => [shareText(row.on_frontier)]],
  ["Lowest cost per frame", "best_value", (row) => [shareText(row.best_value)]],
  ["Games at the goal", "share_of_goal", (row) => [shareText(row.share_of_goal)]],
  ["Basis", "passes", (row) => [basisText(row)]],
];

function basisText(row) {
  const why = row.reason ? `${row.reason}` : "";
  if (!row.basis) return why;
  const passes = row.passes === 1 ? "1 pass" : `${row.passes} passes`;
  return [`${row.basis}, ${passes} measured`, why].filter(Boolean).join("; ");
}

function spread(text, value, low, high) {
  if (!known(value)) return ["not known"];
  const range = known(low) ? `${text(low)} to ${text(high)}` : "range not known";
  return [text(value), node("small", {}, range)];
}

function sorted(rows, numbers, sort) {
  const value = (row) => (sort.key === "number" ? numbers.get(row.build) : row[sort.key]);
  const missing = (v) => typeof v === "number" && !Number.isFinite(v);
  return [...rows].sort((a, b) => {
    const [one, other] = [value(a), value(b)];
    if (missing(one) || missing(other)) return missing(one) - missing(other);
    const order = typeof one === "string" ? one.localeCompare(other) : one - other;
    return sort.down ? -order : order;
  });
}

function summary(rows, currency) {
  const priced = rows.filter((row) => known(row.cost_per_frame));
  if (!priced.length) return "No machine has both a price and a speed here.";
  const best = priced.reduce((a, b) => (b.cost_per_frame < a.cost_per_frame ? b : a));
  const range = known(best.cost_low)
    ? ` (${moneyText(best.cost_low)} to ${moneyText(best.cost_high)})` : "";
  return `Lowest cost per frame: \u2068${visible(best.build)}\u2069, ${moneyText(best.cost_per_frame)} ${currency}${range}; ` +
    `lowest in ${shareText(best.best_value) || "an unknown share"} of draws.`;
}

/** Offer a text as a file. */
export function download(text, file) {
  const link = node("a", { download: file });
  link.href = URL.createObjectURL(new Blob([text], { type: "text/csv;charset=utf-8" }));
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}

/** Build the explorer inside `el`; `model` holds `payload` and `state`. */
export function render({ model, el }) {
  const payload = model.get("payload");
  const draws = readDraws(payload);
  const first = firstState(payload);
  const given = model.get("state");
  let state = given && given.prices ? structuredClone(given) : structuredClone(first);
  const sort = { key: "number", down: false };
  const numbers = new Map(payload.builds.map((build, b) => [build.name, b + 1]));
  const id = `pk${(instances += 1)}`;

  const chart = node("figure", { class: "pk-chart" });
  const said = node("p", { role: "status", class: "pk-said" });
  const below = node("figcaption", {}, said);
  const head = node("tr");
  const body = node("tbody");
  const caption = node("caption", {}, node("span", {}, payload.caption));
  const table = node("table", { class: "pk-table" }, caption, node("thead", {}, head), body);
  const call = node("code", { class: "pk-call", tabindex: "0", "aria-label": "The choice as a Python call" });
  const controls = node("form", { class: "pk-controls", "aria-label": "Prices, games and goal" });
  controls.addEventListener("submit", (event) => event.preventDefault());

  const buttons = COLUMNS.map(([title, key]) => {
    const button = control("button", { type: "button" });
    button.textContent = title || "No.";
    button.addEventListener("click", () => {
      sort.down = sort.key === key && !sort.down;
      sort.key = key;
      show();
    });
    head.append(node("th", { scope: "col" }, button));
    return button;
  });

  function show() {
    const rows = recompute(payload, state, draws);
    const drawn = drawChart(rows, numbers, payload.currency, chart.clientWidth || 760);
    said.textContent = summary(rows, payload.currency);
    drawn.setAttribute("aria-label", `Price against speed. ${said.textContent}`);
    chart.replaceChildren(drawn, below);
    body.replaceChildren(
      ...sorted(rows, numbers, sort).map((row) =>
        node("tr", {}, ...COLUMNS.map(([title, , cells], i) =>
          node(i === 1 ? "th" : "td", i === 1 ? { scope: "row" } : {}, ...cells(row, { numbers })))),
      ),
    );
    COLUMNS.forEach(([, key], i) => {
      const order = sort.key === key ? (sort.down ? "descending" : "ascending") : "none";
      buttons[i].parentElement.setAttribute("aria-sort", order);
    });
    call.textContent = pythonCall(payload, state);
  }

  function changed() {
    show();
    model.set("state", structuredClone(state));
    model.save_changes();
  }

  function slider(label, value, attributes, change) {
    const range = control("input", { type: "range", "aria-label": label, ...attributes });
    const number = control("input", { type: "number", "aria-label": `${label}, typed`, min: "0", step: "any" });
    range.value = value;
    number.value = Math.round(100 * value) / 100;
    range.addEventListener("input", () => {
      number.value = range.value;
      change(Number(range.value));
    });
    number.addEventListener("input", () => {
      const typed = Number(number.value);
      if (number.value === "" || !(typed >= 0) || !Number.isFinite(typed)) return;
      range.value = typed;
      change(typed);
    });
    return [range, number];
  }

  function priceLine(build, b) {
    const box = control("input", { type: "checkbox", id: `${id}b${b}` });
    box.checked = state.compared[b];
    box.addEventListener("change", () => {
      state.compared[b] = box.checked;
      changed();
    });
    const label = node("label", { for: box.id }, `${b + 1} `, name(build.name));
    const line = node("div", { class: "pk-line" }, box, label);
    if (build.price === null) return (line.append(node("small", {}, "no price")), line);
    const most = Math.max(10, Math.ceil((2 * build.price) / 10) * 10);
    line.append(...slider(`Price of ${visible(build.name)}`, state.prices[b], { min: 0, max: most, step: 5 }, (price) => {
      state.prices[b] = price;
      changed();
    }));
    return line;
  }

  function weightLine(workload, w) {
    const line = node("div", { class: "pk-line pk-game" }, node("span", {}, name(workload.name)));
    line.append(...slider(`Weight of ${visible(workload.name)}`, state.weights[w], { min: 0, max: 4, step: 0.25 }, (weight) => {
      state.weights[w] = weight;
      changed();
    }));
    return line;
  }

  function button(text, act) {
    const made = control("button", { type: "button", class: "pk-button" });
    made.textContent = text;
    made.addEventListener("click", act);
    return made;
  }

  function build() {
    const goal = control("select", { id: `${id}goal` });
    payload.goals.forEach((fps) => goal.append(node("option", { value: fps }, `${fps} FPS`)));
    goal.value = state.goal;
    goal.addEventListener("change", () => {
      state.goal = Number(goal.value);
      changed();
    });
    const group = (title, ...lines) => node("fieldset", {}, node("legend", {}, title), ...lines);
    controls.replaceChildren(
      group(`Machines and prices, ${payload.currency}`, ...payload.builds.map(priceLine)),
      group("Games and their weights", ...payload.workloads.map(weightLine)),
      group("Goal", node("label", { for: goal.id }, "Average to reach "), goal),
      node("div", { class: "pk-buttons" },
        button("Start again", () => {
          state = structuredClone(first);
          build();
          changed();
        }),
        button("Download CSV", () => download(csvOf(recompute(payload, state, draws)), "explored.csv")),
        button("Copy as Python", () => copy()),
      ),
      node("p", { class: "pk-code" }, call),
    );
  }

  async function copy() {
    try {
      await navigator.clipboard.writeText(call.textContent);
      said.textContent = "Copied.";
    } catch {
      getSelection().selectAllChildren(call);
      said.textContent = "Selected: copy it with the keyboard.";
    }
  }

  const scroll = node("div", { class: "pk-scroll", tabindex: "0", role: "region", "aria-label": "Machines compared" }, table);
  const layout = node("div", { class: "pk-layout" }, chart, controls, scroll);
  const section = node("section", { class: "pk-explorer", "aria-label": "Explorer" }, layout);
  build();
  el.append(section);
  show();
  let room = chart.clientWidth;
  new ResizeObserver(() => {
    if (chart.clientWidth !== room) show();
    room = chart.clientWidth;
  }).observe(section);
}

export default { render };
