// What is only looked at: the camera, the results, the messages.
import {button, el, lasting, mm, say} from "./dom.js";

/** The browser's own way of writing dates, in the page's language. */
const locale = () => navigator.languages.find(tag => tag.startsWith(document.documentElement.lang)) ?? document.documentElement.lang;

export function camera(app) {
  const w = app.words;
  const photo = el("img", {class: "camera", alt: w.camera_text});
  const none = el("p", {class: "card"}, w.no_camera);
  const advice = el("p", {class: "big", role: "status"});
  const lines = el("ul", {class: "list"});
  const level = el("meter", {min: 0, max: 100, low: 70, high: 95, optimum: 80, id: "level"});
  const brightest = el("label", {for: "level"});
  const levels = el("p", {}, brightest, level);
  const on = button("", () => app.ask({job: app.job.job === "camera" ? "stop" : "camera"}), {class: "strong"});
  let linesAre = "";
  const update = () => {
    const job = app.job, running = job.job === "camera", failed = job.last?.job === "camera" ? job.last.why : "";
    photo.hidden = !app.pictures.camera;
    none.hidden = Boolean(app.pictures.camera) || Boolean(failed);
    if (app.pictures.camera && photo.src !== app.pictures.camera) photo.src = app.pictures.camera;
    photo.classList.toggle("old", !running);
    if (app.busy) say(advice, w.frozen);
    else app.say(advice, running ? job.camera ?? "" : failed ?? "");
    levels.hidden = !running || job.brightest === undefined;
    level.value = job.brightest ?? 0;
    say(brightest, w.brightest(job.brightest, job.burnt));
    if (linesAre !== `${job.lines}`) {
      linesAre = `${job.lines}`;
      lines.replaceChildren(...(job.lines ?? []).map(text => app.say(el("li"), text)));
    }
    say(on, running ? w.camera_stop : w.camera_start);
    on.disabled = !app.usable || app.busy;
  };
  return {
    inside: [el("div", {class: "row"}, on), el("div", {class: "two"}, el("div", {}, photo, none), el("div", {}, advice, levels, lines))],
    update,
    leave: () => app.job.job === "camera" && app.operates && app.ask({job: "stop"}),
  };
}

export function results(app) {
  const w = app.words;
  const list = el("div", {});
  let are = "";

  async function open(one, what) {
    const tab = what === "report" ? window.open("", "_blank") : null;
    const answer = await app.ask({open: one.name, what});
    if (!answer.ticket) return tab?.close();
    const address = new URL(`document/${answer.ticket}`, location.href.split("#")[0]).href;
    if (tab) tab.location = address;
    else el("a", {href: address, download: ""}).click();
  }

  const card = one => el("section", {class: one.current ? "card now" : "card"},
    el("h2", {}, new Date(one.made_utc).toLocaleString(locale(), {dateStyle: "medium", timeStyle: "short"}), one.current ? ` · ${w.live_now}` : ""),
    el("p", {class: "big"}, w.verdicts[one.verdict] ?? one.verdict),
    one.p95_mm === null ? null : el("p", {}, w.mm_off(mm(one.p95_mm), mm(one.limit_mm))),
    one.against.map(text => app.say(el("p"), text)),
    el("div", {class: "row"},
      button(w.open_report, () => open(one, "report"), {"aria-label": `${w.open_report} ${one.name}`}),
      one.current ? null : button(w.use, () => app.ask({use: one.name}), {class: "use", "aria-label": `${w.use} ${one.name}`}),
      ...Object.entries(w.documents).filter(([what]) => one.current || what.endsWith(".npz")).map(([what, name]) => button(`${w.fetch}: ${name}`, () => open(one, what)))));

  const update = () => {
    const seen = JSON.stringify([app.known, app.results]);
    if (are !== seen) {
      are = seen;
      list.replaceChildren(...(app.results.length ? app.results.map(card) : [el("p", {class: "card"}, app.known ? w.no_results : "…")]));
    }
    for (const one of list.querySelectorAll("button")) one.disabled = one.classList.contains("use") ? !app.usable || app.busy : !app.hello;
  };
  return {inside: [list], update};
}

export function messages(app) {
  const w = app.words;
  const list = el("ul", {class: "list"});
  const update = () => {
    const made = [...app.messages].reverse().map(({text, level, at}) => {
      const seconds = (performance.now() - at) / 1000;
      return [seconds < 5 ? w.just_now : w.ago(lasting(seconds, w)), text, level];
    });
    const are = JSON.stringify(made);
    if (list.dataset.are === are) return;
    list.dataset.are = are;
    list.replaceChildren(...(made.length ? made : [["", w.no_messages, ""]]).map(([when, text, level]) =>
      el("li", {class: level === "WARNING" || level === "ERROR" ? "warn" : ""}, when ? el("span", {}, `${when}: `) : null, when ? app.say(el("span"), text) : text)));
  };
  return {inside: [list], update};
}
