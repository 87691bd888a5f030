// The board in the browser: shows the drawing with leads, plugs and marks, and says to the bench what was picked.
const SVG = "http://www.w3.org/2000/svg";
const ZOOMS = [1, 1.25, 1.5, 2, 3, 4];
const PATIENCE_MS = 8000, TEXT_PT = 7, LEGIBLE_PX = 7.5;
const GONE = "No answer so far: the kernel is busy or gone. If it stays so, restart the kernel and run the cells again.";

function make(tag, attributes = {}, parent = null, text = "") {
  const svg = ["g", "rect", "circle", "polyline", "text", "line"].includes(tag);
  const node = svg ? document.createElementNS(SVG, tag) : document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (text) node.textContent = text;
  if (parent) parent.appendChild(node);
  return node;
}

function labelled(text, control, parent) {
  const label = make("label", {}, parent);
  make("span", {}, label, text);
  label.appendChild(control);
  return control;
}

function render({ model, el }) {
  const plan = model.get("plan");
  const root = make("div", { class: "ck-board" }, el);
  const tools = make("div", { class: "ck-tools" }, root);
  const lead = labelled("Lead in hand", make("select"), tools);
  for (const name of ["red", "black"]) make("option", { value: name }, lead, `${name} lead`);
  if (plan.leads === false) lead.parentElement.style.display = "none";
  const list = `ck-${Math.random().toString(36).slice(2)}`;
  const find = labelled("Find", make("input", { type: "text", list, autocomplete: "off", spellcheck: "false" }), tools);
  const names = make("datalist", { id: list }, tools);
  const zoom = make("div", { role: "group", "aria-label": "Size of the drawing" }, tools);
  const less = make("button", { type: "button", "aria-label": "smaller" }, zoom, "−");
  const more = make("button", { type: "button", "aria-label": "larger" }, zoom, "+");
  const fit = make("button", { type: "button" }, zoom, "Fit");
  const plain = make("button", { type: "button" }, tools, "Clear trace");
  const sheet = make("div", { class: "ck-sheet", role: "group", "aria-label": "Wiring drawing", tabindex: "0" }, root);
  const said = make("div", { class: "ck-said", role: "status", "aria-live": "polite" }, root);
  const say = (text) => { said.textContent = text; };

  sheet.innerHTML = model.get("svg");
  const svg = sheet.querySelector("svg");
  svg.setAttribute("role", "group");
  svg.setAttribute("aria-label", svg.querySelector("title") ? svg.querySelector("title").textContent : "Wiring drawing");
  svg.removeAttribute("width");
  svg.removeAttribute("height");
  const layer = (name) => make("g", name ? { role: "group", "aria-label": name } : {}, svg);
  const tied = layer(""), wires = layer("Wires"), plugs = layer("Connectors and sensors");
  const spots = layer("Contact points"), points = layer("Probe points"), notes = layer(""), leads = layer("");
  let size = 0, traced = "", timer = null, now = {};

  function pick(kind, name) {
    clearTimeout(timer);
    timer = setTimeout(() => say(GONE), PATIENCE_MS);
    if (model.comm_live === false) { say(GONE); return; }
    model.send({ kind, name, lead: lead.value });
  }

  // What can be picked --------------------------------------------------------------------------------------------
  const made = { point: new Map(), plug: new Map(), spot: new Map(), wire: new Map() };

  function button(group, kind, name, action) {
    const node = make("g", { class: `ck-${kind}`, role: "button", tabindex: "-1", "data-kind": kind, "data-name": name }, group);
    node.addEventListener("click", () => { focus(node, false); action(); });
    node.addEventListener("keydown", (event) => {
      const key = event.key.toLowerCase();
      if (event.key === "Enter" || event.key === " ") action();
      else if (kind === "point" && (key === "r" || key === "b")) { lead.value = key === "r" ? "red" : "black"; action(); }
      else if (event.key.startsWith("Arrow")) step(node, kind, event.key);
      else return;
      event.preventDefault();
      event.stopPropagation();  // the notebook has meanings of its own for these keys
    });
    made[kind].set(name, node);
    return node;
  }

  function place(node) {
    return [Number(node.dataset.x), Number(node.dataset.y)];
  }

  function shown(kind) {
    return [...made[kind].values()].filter((node) => node.style.display !== "none");
  }

  function focus(node, move = true) {
    for (const other of made[node.dataset.kind].values()) other.setAttribute("tabindex", "-1");
    node.setAttribute("tabindex", "0");
    if (move) node.focus();
  }

  // The nearest one in the direction of the arrow; what lies aside counts as three times as far.
  function step(from, kind, key) {
    const [x, y] = place(from);
    let best = null, least = Infinity;
    for (const node of shown(kind)) {
      const [u, v] = place(node);
      const dx = u - x, dy = v - y;
      const ahead = { ArrowLeft: -dx, ArrowRight: dx, ArrowUp: -dy, ArrowDown: dy }[key];
      const aside = Math.abs(key === "ArrowLeft" || key === "ArrowRight" ? dy : dx);
      if (node !== from && ahead > 0.5 && ahead + 3 * aside < least) { best = node; least = ahead + 3 * aside; }
    }
    if (best) focus(best);
  }

  for (const w of plan.wires) {
    const node = button(wires, "wire", w.name, () => trace(w.name));
    const middle = w.points[Math.floor(w.points.length / 2)];
    node.dataset.x = middle[0]; node.dataset.y = middle[1];
    node.setAttribute("aria-label", `wire ${w.name}, ${w.words}; trace it`);
    make("polyline", { points: w.points.map((p) => p.join(",")).join(" ") }, node);
  }
  for (const p of plan.plugs) {
    const node = button(plugs, "plug", p.name, () => pick("plug", p.name));
    node.dataset.x = (p.boxes[0][0] + p.boxes[0][2]) / 2; node.dataset.y = (p.boxes[0][1] + p.boxes[0][3]) / 2;
    for (const [x0, y0, x1, y1] of p.boxes)
      make("rect", { x: x0, y: y0, width: x1 - x0, height: y1 - y0, rx: 2 }, node);
  }
  for (const s of plan.spots) {
    const node = button(spots, "spot", s.name, () => pick("spot", s.name));
    node.dataset.x = s.at[0][0]; node.dataset.y = s.at[0][1];
    for (const [x, y] of s.at) make("circle", { cx: x, cy: y, r: 5.5 }, node);
  }

  function point(name, x, y, words) {
    const node = button(points, "point", name, () => pick("point", name));
    node.dataset.x = x; node.dataset.y = y; node.dataset.words = words;
    make("circle", { cx: x, cy: y, r: 3.6 }, node);
    return node;
  }
  for (const p of plan.points) point(p.name, p.x, p.y, p.words);

  // Tracing -------------------------------------------------------------------------------------------------------
  function trace(name) {
    traced = name;
    tied.replaceChildren();
    if (!name) { plain.disabled = true; return; }
    plain.disabled = false;
    const net = now.nets[name];
    const same = plan.wires.filter((w) => w.name === name || (net >= 0 && now.nets[w.name] === net));
    for (const w of same) {
      const path = w.points.map((p) => p.join(",")).join(" ");
      make("polyline", { class: "ck-tied", points: path }, tied);
    }
    for (const s of plan.splices.filter((s) => net >= 0 && now.ties[s.name] === net))
      make("polyline", { class: "ck-tied", points: `${s.x},${s.y0} ${s.x},${s.y1}` }, tied);
    const ends = now.reach.filter((p) => net >= 0 && now.ties[p] === net);
    const others = same.map((w) => w.name).filter((n) => n !== name);
    const joints = plan.splices.filter((s) => net >= 0 && now.ties[s.name] === net).map((s) => s.name);
    say(`${name} is connected to ${others.length ? others.join(", ") : "no other wire"}; splices: ${joints.join(", ") || "none"}; points: ${ends.join(", ") || "none"}.`);
  }
  plain.addEventListener("click", () => { trace(""); say("nothing is traced"); });

  // The bench as it is now ----------------------------------------------------------------------------------------
  function show() {
    clearTimeout(timer);
    now = model.get("now");
    if (now.said || said.textContent === GONE) say(now.said);
    const reach = new Set(now.reach), apart = new Set(now.apart);
    for (const [name, [x, y]] of Object.entries(now.bared || {}))
      if (!made.point.has(name)) point(name, x, y, "laid bare");
    for (const [name, node] of made.point) {
      node.style.display = reach.has(name) ? "" : "none";
      const on = name === now.red ? "; red lead here" : name === now.black ? "; black lead here" : "";
      node.setAttribute("aria-label", `${name}${node.dataset.words ? ", " + node.dataset.words : ""}${on}`);
      node.setAttribute("aria-pressed", String(Boolean(on)));
    }
    notes.replaceChildren();
    for (const p of plan.plugs) {
      const node = made.plug.get(p.name), off = apart.has(p.name);
      node.classList.toggle("ck-apart", off);
      node.setAttribute("aria-label", `${p.title}, ${off ? "unplugged" : "plugged"}`);
      const [x0, , x1, y1] = p.boxes[0];  // inside the box of a sensor, else below it: no name stands there
      if (off) make("text", { class: "ck-note", x: x0 + 2, y: x1 - x0 > 30 ? y1 - 2 : y1 + 6 }, notes, `${p.name} unplugged`);
    }
    for (const s of plan.spots) {
      const done = [now.looked.includes(s.name) ? "looked at" : "", now.moved.includes(s.name) ? "moved" : ""].filter(Boolean);
      made.spot.get(s.name).setAttribute("aria-label", `contact point ${s.name}, ${s.where}${done.length ? ", " + done.join(", ") : ""}`);
      const [x, y] = s.at[0];
      if (done.length) make("text", { class: "ck-note", x: x + 3, y: y + 10 }, notes, `${s.name} ${done.join(", ")}`);
    }
    for (const kind of Object.keys(made)) {
      const some = shown(kind);
      if (some.length && !some.some((n) => n.getAttribute("tabindex") === "0")) some[0].setAttribute("tabindex", "0");
    }
    leads.replaceChildren();
    for (const [name, letter, fill, dx] of [[now.red, "R", "#B00020", 9], [now.black, "B", "#111111", -9]]) {
      const node = made.point.get(name);
      if (!node) continue;
      const [x, y] = place(node), g = make("g", { class: "ck-lead", "data-lead": letter }, leads);
      make("line", { x1: x, y1: y, x2: x + dx, y2: y + 8, stroke: fill, "stroke-width": 1.6 }, g);
      if (letter === "R") make("rect", { x: x + dx - 5, y: y + 6, width: 10, height: 10, fill, stroke: "white" }, g);
      else make("circle", { cx: x + dx, cy: y + 11, r: 5.4, fill, stroke: "white" }, g);
      make("text", { x: x + dx, y: y + 13.8 }, g, letter);
    }
    names.replaceChildren();
    for (const name of [...made.plug.keys(), ...made.spot.keys(), ...made.wire.keys(), ...now.reach]) make("option", { value: name }, names);
    if (traced) trace(traced);
  }

  // Finding and size ----------------------------------------------------------------------------------------------
  function search() {
    const wanted = find.value.trim().toLowerCase();
    if (!wanted) return;
    for (const exact of [true, false])
      for (const kind of ["plug", "point", "spot", "wire"])
        for (const node of shown(kind)) {
          const name = node.dataset.name.toLowerCase();
          if (exact ? name === wanted : name.startsWith(wanted)) {
            focus(node);
            node.scrollIntoView({ block: "center", inline: "center" });
            if (kind === "wire") trace(node.dataset.name);
            else say(`found: ${node.getAttribute("aria-label")}`);
            return;
          }
        }
    say(`there is no ${find.value.trim()} that can be reached on this drawing`);
  }
  find.addEventListener("change", search);
  find.addEventListener("keydown", (event) => {
    event.stopPropagation();
    if (event.key === "Enter") search();
  });
  function resize(step, aloud = true) {
    size = step === null ? 0 : Math.min(Math.max(size + step, 0), ZOOMS.length - 1);
    svg.style.width = `${100 * ZOOMS[size]}%`;
    less.disabled = size === 0;
    more.disabled = size === ZOOMS.length - 1;
    if (aloud) say(`drawing at ${100 * ZOOMS[size]} %`);
  }
  less.addEventListener("click", () => resize(-1));
  more.addEventListener("click", () => resize(1));
  fit.addEventListener("click", () => resize(null));
  less.disabled = true;
  plain.disabled = true;
  // At first so large that the drawing's text can be read, if that is no more than twice the room there is.
  const room = new ResizeObserver(() => {
    if (!sheet.clientWidth) return;
    room.disconnect();
    while (size < 3 && (TEXT_PT * sheet.clientWidth * ZOOMS[size]) / plan.width < LEGIBLE_PX) resize(1, false);
  });
  room.observe(sheet);

  // A notebook has commands on plain keys, also while one of our menus is typed into ("r" makes a cell raw): inside the
  // panel they mean what they mean there. Keys with Ctrl, Alt or Meta stay the notebook's.
  const inside = (event) => {
    const panel = root.closest(".jp-OutputArea-output");
    const plainKey = !event.ctrlKey && !event.metaKey && !event.altKey && event.key !== "Escape";
    if (!panel || !plainKey || !panel.contains(event.target)) return;
    event.target.setAttribute("data-lm-suppress-shortcuts", "true");
    setTimeout(() => event.target.removeAttribute("data-lm-suppress-shortcuts"));
  };
  window.addEventListener("keydown", inside, true);
  model.on("change:now", show);
  show();
  return () => { clearTimeout(timer); window.removeEventListener("keydown", inside, true); model.off("change:now", show); };
}

export default { render };
