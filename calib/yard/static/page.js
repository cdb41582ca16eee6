// What both pages use: elements made from text alone, changes sent with the page's token, and the news of the run.
const token = document.querySelector('meta[name="calib-token"]').content;

export const by = (id) => document.getElementById(id);
export const words = (name) => name.replaceAll("_", " ");

// A number keeps its unit on its line.
export const held = (text) => typeof text === "string" ? text.replace(/(\d) (?=(?:mm|deg|m)\b|%)/g, "$1\u00a0") : text;

// An element; whatever is said in it is text, never markup.
export function made(tag, attributes = {}, ...children) {
  const space = ["svg", "polyline", "polygon", "line", "rect", "text"].includes(tag) ? "http://www.w3.org/2000/svg" : null;
  const one = space ? document.createElementNS(space, tag) : document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) one.addEventListener(name.slice(2), value);
    else if (value === true) one.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) one.setAttribute(name, value);
  }
  one.append(...children.flat(3).filter((child) => child !== null && child !== undefined && child !== false).map(held));
  return one;
}

export const touch = (says, onclick, more = {}) => made("button", { type: "button", onclick, ...more }, says);

export function pick(name, label, options, value, required = false) {
  const one = made("select", { name, "aria-label": label, required }, options.map((o) => made("option", { value: o }, words(o))));
  one.value = value ?? options.at(-1) ?? "";
  return one;
}

// Send a change; resolves to the answer, or throws what is to be told.
export async function send(path, body) {
  const raw = body instanceof Blob || body instanceof ArrayBuffer;
  let answer;
  try {
    answer = await fetch(path, { method: "POST", headers: { "x-calib-token": token, "content-type": raw ? "application/octet-stream" : "application/json" }, body: raw ? body : JSON.stringify(body) });
  } catch {
    throw new Error("The server does not answer. Nothing was noted: is calib still running?");
  }
  if (answer.headers.get("content-type")?.startsWith("application/json")) {
    const said = await answer.json();
    if (answer.ok) return said;
    const error = new Error(said.complaints.join(" "));
    error.now = said.now;
    error.status = answer.status;
    throw error;
  }
  throw new Error(await answer.text());
}

export const named = (file) => new Blob([file.name.replaceAll("\n", " ") + "\n", file]);

export function tell(place, text, wrong = false) {
  const one = typeof place === "string" ? by(place) : place;
  one.replaceChildren(...[text].flat());
  one.classList.toggle("wrong", wrong);
}

// Fill a place anew only if what it shows is another: who is about to touch something there still can.
export function fill(place, data, parts) {
  const key = JSON.stringify(data);
  if (place.dataset.key === key || place.querySelector(".editor")) return;
  place.dataset.key = key;
  place.replaceChildren(...parts().flat(3).filter(Boolean));
}

export function takesFiles(drop, input, take) {
  input.addEventListener("change", async () => { await take([...input.files]); input.value = ""; });
  for (const kind of ["dragover", "dragleave", "drop"]) {
    drop.addEventListener(kind, (event) => {
      event.preventDefault();
      drop.classList.toggle("over", kind === "dragover");
      if (kind === "drop") take([...event.dataTransfer.files]);
    });
  }
}

// The state of the run as the page shows it.
let draw = () => {}, last = null;
export function show(view = last) {
  last = view;
  draw(view);
}

export async function change(path, body) {
  try { show((await send(path, body)).view); } catch (error) { tell("trouble", error.message, true); }
}

// The state of the run, now and as often as it changes.
export async function follow(drawn) {
  let seen = -1;
  draw = drawn;
  for (;;) {
    try {
      const answer = await fetch(`/now?seen=${seen}`);
      if (!answer.ok) throw new Error(await answer.text());
      const next = await answer.json();
      seen = next.version;
      show(next);
    } catch {
      tell("trouble", "The server does not answer: is calib still running? What was noted is in the run folder.", true);
      await new Promise((done) => setTimeout(done, 1500));
    }
  }
}
