// Now: is it all right, make it dark, what is shown.
import {button, el, lasting, mm, say, set, sourceName} from "./dom.js";
import {Plan} from "./plan.js";

export function now(app) {
  const w = app.words;
  const plan = new Plan(app.hello, w, {still: true});
  const freeze = button("", () => {
    app.frozen = !app.frozen;
    app.tellServer({pictures: !app.frozen});
  });
  const hold = button("", () => app.do(app.state.running ? "hold" : "go"));
  const sources = app.hello.sources.map(name => button(sourceName(name, w), () => app.do("show", name), {"data-source": name}));
  const light = el("input", {type: "range", min: 0, max: 1, step: 0.02, id: "light"});
  const send = value => app.ask({do: "brightness", values: [Math.min(1, Math.max(0, value))], revision: app.state.revision});
  light.addEventListener("change", () => send(Number(light.value)));
  const step = by => button(by < 0 ? w.darker : w.brighter, () => send(app.state.brightness + by));
  const steps = [step(-0.1), step(0.1)];
  const facts = el("dl", {class: "facts"});
  const playing = [
    el("div", {}, el("h2", {}, w.what_plays), el("div", {class: "row"}, sources), el("div", {class: "row"}, hold)),
    el("div", {}, el("h2", {}, el("label", {for: "light"}, w.brightness)), light, el("div", {class: "row"}, steps)),
  ];
  let factsAre = "";
  const update = () => {
    const s = app.state, one = app.current();
    plan.show(app.pictures.content);
    plan.light(!s.dark);
    if (s.correction) plan.correct(s.correction);
    for (const block of playing) block.hidden = !s.playing;
    freeze.hidden = !s.playing;
    say(freeze, app.frozen ? w.unfreeze : w.freeze);
    say(hold, s.running ? w.hold : w.go_on);
    for (const one of sources) set(one, "aria-pressed", one.dataset.source === s.source);
    for (const one of [...sources, hold, light, ...steps]) one.disabled = !app.usable;
    if (document.activeElement !== light) light.value = s.brightness ?? 1;
    const unknown = app.known ? w.never : "…";
    const told = [
      [w.checked, one?.p95_mm != null ? w.mm_off(mm(one.p95_mm), mm(one.limit_mm)) : unknown],
      [w.looked, one?.look_p95_mm != null ? w.mm_off(mm(one.look_p95_mm), mm(one.limit_mm)) : unknown],
      ...(s.playing ? [[w.frames, s.flips_per_second === null ? "–" : Math.round(s.flips_per_second)], [w.late, `${s.late}`]] : []),
    ];
    if (factsAre !== JSON.stringify(told)) {
      factsAre = JSON.stringify(told);
      facts.replaceChildren(...told.flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, `${value}`)]));
    }
  };
  return {inside: [el("div", {class: "two"}, el("div", {}, plan.svg, el("p", {class: "row"}, freeze)), el("div", {}, playing, el("h2", {}, w.facts), facts))], update};
}
