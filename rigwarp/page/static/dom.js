// Elements, and words for numbers.
export function el(name, properties = {}, ...inside) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(properties)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (key in made && !key.startsWith("aria")) made[key] = value;
    else made.setAttribute(key, value);
  }
  made.append(...inside.flat().filter(one => one !== null && one !== undefined && one !== false));
  return made;
}

export const button = (text, onclick, properties = {}) => el("button", {type: "button", onclick, ...properties}, text);

/** Set a text only where it changes: a screen reader reads what changes. */
export function say(element, text) {
  if (element && element.textContent !== text) element.textContent = text;
}

export function set(element, name, value) {
  if (element && element.getAttribute(name) !== String(value)) element.setAttribute(name, value);
}

export function lasting(seconds, words) {
  if (seconds < 90) return words.seconds(Math.round(seconds));
  if (seconds < 5400) return words.minutes(Math.round(seconds / 60));
  if (seconds < 129600) return words.hours(Math.round(seconds / 3600));
  return words.days(Math.round(seconds / 86400));
}

/** With so many digits, as the page's language writes numbers. */
export const figure = (value, digits) => value.toFixed(digits).replace(".", document.documentElement.lang === "de" ? "," : ".");
export const signed = (value, digits) => `${value < 0 ? "−" : "+"}${figure(Math.abs(value), digits)}`;
/** A source as people call it: a check picture, or a file without its folders. */
export const sourceName = (name, words) => words.sources[name] ?? (name.includes("://") ? name : name.split(/[\\/]/).at(-1));
export const mm = value => figure(value, value < 1 ? 2 : 1);
