// Correct: the table in millimetres, and what is changed on it. Every step tells which correction it was made on; what
// somebody else has changed meanwhile is not overwritten but shown.
import {button, el, figure, say, set, signed} from "./dom.js";
import {Plan} from "./plan.js";

const PAD = {ArrowUp: "up", ArrowDown: "down", ArrowLeft: "left", ArrowRight: "right"};
const WAYS = {left: [-1, 0], right: [1, 0], up: [0, 1], down: [0, -1]};
const SIGNS = {left: "←", right: "→", up: "↑", down: "↓"};
const FACTORS = {fine: 0.1, usual: 1, coarse: 10};
const LABELS = {
  place: {left: "left", right: "right", up: "away", down: "towards"}, turn: {left: "turn_left", right: "turn_right"},
  size: {up: "larger", down: "smaller"}, light: {up: "brighter", down: "darker"}, black: {up: "more", down: "less"},
  even: {up: "dim_less", down: "dim_more", left: "rim_lighter", right: "rim_darker"},
  spot: {left: "left", right: "right", up: "away", down: "towards"}, mask: {left: "left", right: "right", up: "away", down: "towards"},
};
const MARK_MM = 5;

/** Steps one after the other: each waits for the answer to the one before, and further ones of a kind are put together. */
class Steps {
  constructor(app) {
    Object.assign(this, {app, waiting: [], under: false, mine: null, revision: null});
  }

  /** The correction with everything that has been asked for. */
  get correction() { return this.mine ?? this.app.state.correction; }

  add(name, values, mine) {
    this.mine = {...this.correction, ...mine};
    if (this.waiting.at(-1)?.do === name) this.waiting.at(-1).values = values;
    else this.waiting.push({do: name, values});
    if (!this.under) this.send();
  }

  async send() {
    this.under = true;
    let revision = Math.max(this.app.state.revision, this.revision ?? 0);  // the state is told a little later than answers
    while (this.waiting.length) {
      const answer = await this.app.ask({...this.waiting.shift(), revision});
      if (answer.refused) {
        this.waiting = [];
        revision = null;
      } else revision = answer.revision;
    }
    this.under = false;
    this.revision = revision;
  }

  /** Once the player's own state has caught up, that counts again. */
  settle() {
    if (this.mine && !this.under && this.app.state.revision >= (this.revision ?? 0)) this.mine = null;
  }
}

export function correct(app) {
  const w = app.words, {limits, steps: size} = app.hello;
  const plan = new Plan(app.hello, w);
  const steps = new Steps(app);
  let tool = "place", factor = "usual", mark = [...app.hello.content.centre_mm], takes = false, corners = [], reach = app.hello.reach_mm;
  let spot = null, dragged = null;
  const within = (name, value) => Math.min(limits[name][1], Math.max(limits[name][0], Math.round(value * 1e6) / 1e6));

  function go(way) {
    const c = steps.correction;
    if (!c) return;
    const [right, up] = WAYS[way], by = FACTORS[factor], both = right + up;
    if (tool === "spot" || tool === "mask") {
      if (tool === "spot" && takes) take([right * size.place * by, up * size.place * by]);
      else moveMark([mark[0] + right * MARK_MM * by, mark[1] + up * MARK_MM * by]);
    } else if (tool === "place") {
      const shift_mm = [c.shift_mm[0] + right * size.place * by, c.shift_mm[1] + up * size.place * by].map(v => Math.round(v * 1e3) / 1e3);
      steps.add("shift", shift_mm, {shift_mm});
    } else if (tool === "turn") {
      const turn_deg = within("turn_deg", c.turn_deg - both * size.turn * by);
      steps.add("turn", [turn_deg], {turn_deg});
    } else if (tool === "size") {
      const scale = within("scale", c.scale + both * size.size * by);
      steps.add("scale", [scale], {scale});
    } else if (tool === "light") {
      const brightness = within("brightness", c.brightness + both * size.light * by);
      steps.add("brightness", [brightness], {brightness});
    } else if (tool === "black") {
      const black_level = within("black_level", c.black_level + both * size.black * by);
      steps.add("black", [black_level], {black_level});
    } else {
      const flatten_limit = within("flatten_limit", (c.flatten_limit ?? limits.flatten_limit[0]) + up * size.even * by);
      const flatten_falloff = within("flatten_falloff", (c.flatten_falloff ?? 0) + right * size.even * by);
      steps.add("even", [flatten_limit, flatten_falloff], {flatten_limit, flatten_falloff});
    }
    draw();
  }

  /** The spot at the mark goes so much further. */
  function take(by) {
    spot ??= {at_mm: mark, by_mm: [0, 0], reach_mm: reach};
    spot = {...spot, by_mm: [spot.by_mm[0] + by[0], spot.by_mm[1] + by[1]]};
    steps.add("spot", [...spot.at_mm, ...spot.by_mm, spot.reach_mm], {});
  }

  function moveMark(to) {
    mark = [0, 1].map(i => Math.max(-plan.reach[i], Math.min(plan.reach[i], Math.round(to[i] * 10) / 10)));
    spot = null;
    draw();
  }

  const tools = Object.keys(LABELS).map(name => button(w[name], () => choose(name), {"data-tool": name}));
  const factors = Object.keys(FACTORS).map(name => button(w[name], () => { factor = name; draw(); }));
  const pad = el("div", {class: "pad"});
  const says = el("p", {class: "big", role: "status"});
  const help = el("p", {});
  const marks = [button(w.mark_moves, () => { takes = false; draw(); }), button(w.mark_takes, () => { takes = true; draw(); })];
  const spotRow = el("div", {class: "row"}, marks, button(w.narrower, () => { reach = Math.max(10, reach - 10); spot = null; draw(); }),
    button(w.wider, () => { reach = Math.min(500, reach + 10); spot = null; draw(); }));
  const close = button(w.close_mask, () => { steps.add("mask", corners.flat(), {}); corners = []; draw(); });
  const back = button(w.corner_back, () => { corners = corners.slice(0, -1); draw(); });
  const again = button(w.light_again, () => steps.add("unmask", [], {}));
  const maskRow = el("div", {class: "row"}, button(w.corner, () => { corners = [...corners, mark]; draw(); }), back, close, again);
  const undo = button(w.undo, () => { spot = null; steps.add("undo", [], {}); });
  const redo = button(w.redo, () => { spot = null; steps.add("redo", [], {}); });
  const measured = button(w.as_measured, () => { spot = null; steps.add("reset", [], {}); });
  const grid = button("", () => app.do("grid", app.state.stands_in === "grid" ? 0 : 1));
  const can = el("div", {}, el("h2", {id: "tool"}, w.tool), el("div", {class: "row", role: "group", "aria-labelledby": "tool"}, tools), says, help, spotRow, maskRow, pad,
    el("div", {class: "row", role: "group", "aria-label": w.step}, el("span", {}, w.step), factors), el("div", {class: "row"}, undo, redo, measured), el("div", {class: "row"}, grid));
  const cannot = el("p", {class: "card"});
  plan.svg.setAttribute("tabindex", "0");
  plan.svg.addEventListener("keydown", event => {
    if (!PAD[event.key] || !app.usable) return;
    event.preventDefault();
    go(PAD[event.key]);
  });

  plan.svg.addEventListener("pointerdown", event => {
    if (!app.usable || cannot.hidden === false) return;
    const at = plan.at(event);
    if (tool === "spot" || tool === "mask") moveMark(at);
    if (tool === "mask") corners = [...corners, mark];
    if (tool === "spot" || tool === "place") {
      dragged = {from: at, shift: steps.correction?.shift_mm, by: [0, 0]};
      plan.svg.setPointerCapture(event.pointerId);
    }
    draw();
  });
  plan.svg.addEventListener("pointermove", event => {
    if (!dragged) return;
    const at = plan.at(event);
    dragged.by = [at[0] - dragged.from[0], at[1] - dragged.from[1]].map(v => Math.round(v * 10) / 10);
    draw();
  });
  const release = () => {
    const {by, shift} = dragged ?? {by: [0, 0]};
    const far = Math.hypot(...by) > 1;
    dragged = null;
    if (far && tool === "spot") take(by);
    else if (far && tool === "place" && shift) {
      const shift_mm = [shift[0] + by[0], shift[1] + by[1]];
      steps.add("shift", shift_mm, {shift_mm});
    }
    draw();
  };
  plan.svg.addEventListener("pointerup", release);
  plan.svg.addEventListener("pointercancel", () => { dragged = null; draw(); });

  function choose(name) {
    tool = name;
    corners = [];
    spot = null;
    takes = false;
    const ways = LABELS[tool], arrows = ["place", "spot", "mask"].includes(tool);
    pad.className = arrows ? "pad" : "row";
    pad.replaceChildren(...arrows
      ? ["", "up", "", "left", "", "right", "", "down", ""].map(way => way ? button(SIGNS[way], () => go(way), {"aria-label": w[ways[way]], title: w[ways[way]]}) : el("span"))
      : Object.keys(ways).map(way => button(w[ways[way]], () => go(way))));
    draw();
  }

  function words(c) {
    const percent = value => figure(100 * value, 1).replace(/\D0$/, "");
    return {
      place: () => w.is_place(signed(c.shift_mm[0], 1), signed(c.shift_mm[1], 1)), turn: () => w.is_turn(signed(c.turn_deg, 2)),
      size: () => w.is_size(percent(c.scale)), light: () => w.is_light(percent(c.brightness)), black: () => w.is_black(percent(c.black_level)),
      even: () => app.state.has_light ? w.is_even(percent(c.flatten_limit ?? limits.flatten_limit[0]), percent(c.flatten_falloff ?? 0)) : w.no_light,
      spot: () => w.is_spot(c.drags.length), mask: () => w.is_mask(c.masks.length),
    }[tool]();
  }

  function draw() {
    const c = steps.correction;
    const local = tool === "spot" || tool === "mask";
    for (const one of tools) set(one, "aria-pressed", one.dataset.tool === tool);
    for (const [i, name] of Object.keys(FACTORS).entries()) set(factors[i], "aria-pressed", name === factor);
    set(marks[0], "aria-pressed", !takes);
    set(marks[1], "aria-pressed", takes);
    spotRow.hidden = tool !== "spot";
    maskRow.hidden = tool !== "mask";
    help.hidden = !local;
    say(help, tool === "mask" ? w.mask_help : w.spot_help);
    close.disabled = corners.length < 3;
    back.disabled = !corners.length;
    if (!c) return;
    again.disabled = !c.masks.length;
    say(says, words(c));
    const moved = dragged && tool === "place" && dragged.shift ? {...c, shift_mm: [0, 1].map(i => dragged.shift[i] + dragged.by[i])} : c;
    plan.correct(moved);
    const pulled = dragged && tool === "spot" ? [{at_mm: mark, by_mm: dragged.by}] : [];
    plan.mark({masks: c.masks, drags: [...c.drags, ...pulled], corners, mark: local ? mark : null, reach: tool === "spot" ? reach : 0});
  }

  function update() {
    const s = app.state;
    steps.settle();
    const possible = s.playing && s.correctable;
    can.hidden = !possible;
    cannot.hidden = possible;
    say(cannot, s.playing ? w.design_only : w.not_playing);
    plan.show(app.pictures.content);
    plan.light(!s.dark);
    for (const one of can.querySelectorAll("button")) if (one !== close && one !== back && one !== again) one.disabled = !app.usable;
    undo.disabled ||= !s.undo;
    redo.disabled ||= !s.redo;
    say(grid, s.stands_in === "grid" ? w.grid_off : w.grid_on);
    set(grid, "aria-pressed", s.stands_in === "grid");
    draw();
  }

  choose("place");
  return {inside: [el("div", {class: "two"}, el("div", {}, plan.svg, cannot), can)], update, leave: () => app.state.stands_in === "grid" && app.usable && app.do("grid", 0)};
}
