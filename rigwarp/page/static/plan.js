// The table from above, in millimetres: x to the right, y away from the front edge, as everywhere in rigwarp.
import {set} from "./dom.js";

const SVG = "http://www.w3.org/2000/svg";
const MARGIN_MM = 34;

function draw(name, attributes, ...inside) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...inside);
  return made;
}

function outline(area, attributes) {
  const [width, height] = area.size_mm;
  return area.shape === "circle"
    ? draw("ellipse", {rx: width / 2, ry: height / 2, ...attributes})
    : draw("rect", {x: -width / 2, y: -height / 2, width, height, ...attributes});
}

export class Plan {
  /** `hello`: what the server says of the table; `words`: texts; `still`: nothing can be done on it. */
  constructor(hello, words, {still = false} = {}) {
    const {table, content} = hello;
    const [w, h] = [0, 1].map(i => Math.max(table.size_mm[i], content.size_mm[i] + 2 * Math.abs(content.centre_mm[i])));
    this.content = content;
    this.reach = [w / 2, h / 2];
    const box = [-w / 2 - MARGIN_MM, -h / 2 - MARGIN_MM / 2, w + 2 * MARGIN_MM, h + 2 * MARGIN_MM];
    this.svg = draw("svg", {viewBox: box.join(" "), class: still ? "plan still" : "plan", role: "img"});
    this.svg.setAttribute("aria-label", words.plan);
    const [cx, cy] = content.centre_mm;
    const at = `translate(${cx} ${-cy}) rotate(${-content.rotation_deg})`;
    this.picture = draw("image", {preserveAspectRatio: "xMidYMid meet"});
    this.moved = draw("g", {}, this.picture);
    const [pw, ph] = content.size_mm;
    for (const [key, value] of Object.entries({x: -pw / 2, y: -ph / 2, width: pw, height: ph})) this.picture.setAttribute(key, value);
    const clip = draw("clipPath", {id: "lit"}, outline(content, {transform: at}));
    this.over = draw("g", {});
    this.svg.append(draw("defs", {}, clip), outline(table, {class: "edge"}), this.rules(w, h),
      draw("g", {"clip-path": "url(#lit)"}, this.moved), outline(content, {class: "canvas", transform: at}),
      draw("text", {x: 0, y: h / 2 + MARGIN_MM + 10}, words.front), this.over);
    this.correct({shift_mm: [0, 0], turn_deg: 0, scale: 1});
  }

  rules(w, h) {
    const group = draw("g", {"aria-hidden": "true"});
    const step = Math.max(w, h) > 1500 ? 250 : Math.max(w, h) > 700 ? 100 : 50;
    for (let x = Math.ceil(-w / 2 / step) * step; x <= w / 2; x += step) {
      group.append(draw("line", {class: "rule", x1: x, x2: x, y1: -h / 2, y2: h / 2}), draw("text", {x, y: h / 2 + 16}, `${x}`));
    }
    for (let y = Math.ceil(-h / 2 / step) * step; y <= h / 2; y += step) {
      group.append(draw("line", {class: "rule", y1: -y, y2: -y, x1: -w / 2, x2: w / 2}),
        draw("text", {x: -w / 2 - 17, y: -y + 4}, `${y}`));
    }
    return group;
  }

  /** The picture that is being sent; null: none. What is the same as before is left alone, here and below: the state comes
   * ten times a second, and a tablet that draws everything anew each time gets warm. */
  show(url) {
    if (url) set(this.picture, "href", url);
    set(this.picture, "visibility", url ? "visible" : "hidden");
  }

  /** The table while it is kept dark, and else. */
  light(on) {
    this.svg.classList.toggle("unlit", !on);
  }

  /** Where the correction by hand puts it. */
  correct({shift_mm, turn_deg, scale}) {
    const {centre_mm: [cx, cy], rotation_deg} = this.content;
    set(this.moved, "transform",
      `translate(${cx + shift_mm[0]} ${-cy - shift_mm[1]}) rotate(${-rotation_deg - turn_deg}) scale(${scale})`);
  }

  /** Masks, spots that were taken along, corners of a mask in hand, the mark. */
  mark(marked) {
    const marks = JSON.stringify(marked);
    if (marks === this.marks) return;
    this.marks = marks;
    const {masks = [], drags = [], corners = [], mark = null, reach = 0} = marked;
    const points = list => list.map(([x, y]) => `${x},${-y}`).join(" ");
    const made = masks.map(mask => draw("polygon", {class: "mask", points: points(mask)}));
    for (const {at_mm: [x, y], by_mm: [dx, dy]} of drags) {
      made.push(draw("circle", {class: "drag", cx: x, cy: -y, r: 3}), draw("line", {class: "drag", x1: x, y1: -y, x2: x + dx, y2: -y - dy}));
    }
    if (corners.length) made.push(draw("polyline", {class: "mark", points: points(corners)}));
    made.push(...corners.map(([x, y]) => draw("circle", {class: "mark", cx: x, cy: -y, r: 3})));
    if (mark) {
      const [x, y] = mark;
      made.push(draw("path", {class: "mark", d: `M${x - 12} ${-y}h24M${x} ${-y - 12}v24`}));
      if (reach) made.push(draw("circle", {class: "reach", cx: x, cy: -y, r: reach}));
    }
    this.over.replaceChildren(...made);
  }

  /** Table millimetres under a pointer. */
  at(event) {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return [Math.round(point.x * 10) / 10, Math.round(-point.y * 10) / 10];
  }
}
