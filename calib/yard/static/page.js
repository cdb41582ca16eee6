// What both pages use: elements made from text alone, and changes sent with the page's token.
const token = document.querySelector('meta[name="calib-token"]').content;

export const by = (id) => document.getElementById(id);

// An element; whatever is said in it is text, never markup.
export function made(tag, attributes = {}, ...children) {
  const space = ["svg", "polyline", "polygon", "line", "rect", "text"].includes(tag) ? "http://www.w3.org/2000/svg" : null;
  const one = space ? document.createElementNS(space, tag) : document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) one.addEventListener(name.slice(2), value);
    else if (value === true) one.setAttribute(name, "");
    else if (value !== false && value !== null) one.setAttribute(name, value);
  }
  one.append(...children.filter((child) => child !== null));
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

export function tell(id, text, wrong = false) {
  const place = by(id);
  place.textContent = text;
  place.classList.toggle("wrong", wrong);
}
