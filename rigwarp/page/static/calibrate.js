// Calibrate: choose, be warned, watch it being done, see what came of it, compare, put the one before back.
import {button, el, lasting, mm, say, set} from "./dom.js";

const JOBS = ["look", "reregister", "verify", "calibrate"];

export function calibrate(app) {
  const w = app.words;
  let chosen = "";
  const cards = JOBS.map(name => el("div", {class: "card"}, el("h2", {}, w.jobs[name][0]), el("p", {}, w.jobs[name][1]),
    button(w.jobs[name][0], () => { chosen = name; ready.checked = false; update(); title.focus(); }, {"data-job": name})));
  const ready = el("input", {type: "checkbox", id: "ready", onchange: () => update()});
  const start = button(w.start, async () => {
    const job = chosen;
    chosen = "";
    update();
    started = true;
    if ((await app.ask({job})).refused) started = false;
  }, {class: "strong"});
  const title = el("h2", {tabIndex: -1});
  const before = el("section", {class: "card"}, title, el("h3", {}, w.before_you), el("ul", {class: "caution"}, w.caution.map(text => el("li", {}, text))),
    el("label", {class: "check", for: "ready"}, ready, w.ready), el("div", {class: "row"}, start, button(w.not_now, () => { chosen = ""; update(); })));
  const bar = el("progress", {max: 1, "aria-label": w.calibrate});
  const doing = el("p", {class: "big", role: "status"});
  const left = el("p", {});
  const stop = button(w.stop, () => app.ask({job: "stop"}), {class: "stop"});
  const notes = el("ul", {class: "list"});
  const photo = el("img", {class: "camera", alt: w.camera_text});
  const still = el("p", {}, w.frozen);
  let started = false;
  const working = el("section", {class: "card now", tabIndex: -1}, doing, bar, left, el("div", {class: "row"}, stop), notes, photo, still);
  const outcome = el("section", {class: "card", role: "status"});
  const hold = button(w.compare_hold, () => {}, {"data-hold": "1"});
  const press = on => app.usable && app.do("before", on ? 1 : 0);
  let held = false;
  const down = () => { if (!held) { held = true; set(hold, "aria-pressed", true); press(true); } };
  const up = () => { if (held) { held = false; set(hold, "aria-pressed", false); press(false); } };
  hold.addEventListener("pointerdown", event => { hold.setPointerCapture(event.pointerId); down(); });
  for (const name of ["pointerup", "pointercancel", "blur"]) hold.addEventListener(name, up);
  hold.addEventListener("keydown", event => [" ", "Enter"].includes(event.key) && (event.preventDefault(), down()));
  hold.addEventListener("keyup", event => [" ", "Enter"].includes(event.key) && up());
  hold.addEventListener("contextmenu", event => event.preventDefault());
  const earlier = button(w.back_before, () => { const one = previous(); if (one) app.ask({use: one.name}); });
  const compare = el("section", {}, el("h2", {}, w.compare), el("p", {}, w.compare_text), el("div", {class: "row"}, hold, earlier));

  /** The result made before the live one. */
  function previous() {
    const at = app.results.findIndex(one => one.current);
    return at < 0 ? null : app.results[at + 1] ?? null;
  }

  function outcomeWords(last) {
    const job = w.jobs[last.job]?.[0] ?? last.job;
    const ended = el("p", {class: "big"}, `${job}: ${w.ended[last.ended] ?? last.ended}`), told = [];
    const why = [last.why, ...last.against ?? []].filter(Boolean).map(text => app.say(el("p"), text));
    if (last.p95_mm != null) told.push(w.mm_off(mm(last.p95_mm), mm(app.hello.allowed_mm)));
    if (last.findings) told.push(last.findings.length ? w.moved(last.findings.map(one => w.found[one] ?? one).join(", ")) : w.nothing_moved);
    if (last.corrected) told.push(w.put_right);
    else if (last.advice === "scan") told.push(w.scan_due);
    else if (last.advice === "re-register") told.push(w.can_right);
    if (last.current !== undefined) told.push(last.current ? w.is_current : w.not_current);
    if (last.ended === "failed" && app.hello.call) told.push(w.call(app.hello.call));
    return [ended, ...why, ...told.map(text => el("p", {}, text))];
  }

  let outcomeIs = "", notesAre = "";
  function update() {
    const job = app.job, busy = app.busy, last = job.last && job.last.job !== "camera" ? job.last : null;
    for (const card of cards) {
      card.hidden = busy || Boolean(chosen);
      card.querySelector("button").disabled = !app.usable;
    }
    before.hidden = !chosen || busy;
    say(title, chosen ? w.jobs[chosen][0] : "");
    start.disabled = !ready.checked || !app.usable;
    working.hidden = !busy;
    if (busy && started) {  // whoever has just begun it sees what happens, and Stop
      started = false;
      working.focus({preventScroll: true});
      scrollTo(0, 0);
    }
    if (busy) {
      const stage = w.stages[job.stage] ?? job.stage;
      if (stage) app.say(doing, stage);
      else say(doing, w.working(w.jobs[job.job][0]));
      if (job.of) bar.value = job.at / job.of;
      else bar.removeAttribute("value");
      const times = [job.of > 1 ? w.of(job.at, job.of) : "", job.left_s ? w.left_s(lasting(job.left_s, w)) : "", w.since(lasting(app.jobSeconds(), w))];
      say(left, times.filter(Boolean).join(" · "));
      say(stop, job.stopping ? w.stopping : w.stop);
      stop.disabled = !app.operates || job.stopping;
      if (notesAre !== job.notes.join()) {
        notesAre = job.notes.join();
        notes.replaceChildren(...job.notes.map(text => app.say(el("li"), text)));
      }
      photo.hidden = still.hidden = !app.pictures.camera;
      if (app.pictures.camera && photo.src !== app.pictures.camera) photo.src = app.pictures.camera;
    }
    outcome.hidden = busy || !last || Boolean(chosen);
    if (last && outcomeIs !== JSON.stringify(last)) {
      outcomeIs = JSON.stringify(last);
      outcome.replaceChildren(...outcomeWords(last));
    }
    compare.hidden = busy || Boolean(chosen) || !previous();
    hold.disabled = !app.usable || !app.state.playing;
    earlier.disabled = !app.usable;
  }
  return {inside: [outcome, working, before, el("div", {class: "jobs"}, cards), compare], update, leave: up};
}
