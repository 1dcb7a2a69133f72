// What pages ask of the monitor: acts with the proof that goes with them, and parts of pages.

// A browser keeps few ways open to one server at once; with each of them taken, a question would wait for ever and the page would look alive.
const SOON_MS = 3000;
const soon = () => ({ signal: AbortSignal.timeout(SOON_MS) });

let proof;

async function known() {
  if (proof === undefined) {
    const answer = await fetch("/api/v1/me", soon());
    if (!answer.ok) return "";
    proof = (await answer.json()).proof;
  }
  return proof;
}

/** Do something: gives null where it was done, else why not, in a sentence. */
export async function act(path, what) {
  return (await tell(path, what)).why;
}

/** Ask anew for the proof that goes with acts: a monitor that has started anew wants another. */
export function forget() {
  proof = undefined;
}

/** Do something: gives why it was not done, or null, what was answered, and with which status (0: not reached). */
export async function tell(path, what) {
  try {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Tallywatch-Proof": await known() },
      body: JSON.stringify(what),
      signal: AbortSignal.timeout(2 * SOON_MS),
    });
    if (answer.ok) return { why: null, told: await answer.json(), status: answer.status };
    proof = undefined;
    const told = await answer.json();
    const wrong = (told.errors ?? []).map((one) => one.what).join("; ");
    if (answer.status === 401 || answer.status === 403) return { why: `${told.detail} Log in at ${location.origin}/login.`, status: answer.status };
    return { why: wrong ? `${told.detail} ${wrong}` : told.detail, status: answer.status };
  } catch {
    return { why: "The monitor did not answer: whether it was done is not known. Look at the page before doing it again.", status: 0 };
  }
}

/** Say something while the page is being left: nothing waits for the answer, and nothing is asked for first. */
export function tellLast(path, what) {
  if (proof === undefined) return;
  fetch(path, {
    method: "POST", keepalive: true,
    headers: { "Content-Type": "application/json", "X-Tallywatch-Proof": proof },
    body: JSON.stringify(what),
  }).catch(() => {});
}

/** A part of a page as the monitor makes it, or null where it cannot be had now. */
export async function part(path) {
  try {
    const answer = await fetch(path, soon());
    return answer.ok ? await answer.text() : null;
  } catch {
    return null;
  }
}

/** A name for an act, so that sending it again changes nothing. */
export function key() {
  return Array.from(crypto.getRandomValues(new Uint8Array(12)), (one) => one.toString(16).padStart(2, "0")).join("");
}

const clocks = new Map(); // to make one costs more than to use it a hundred times

/** A moment as a time of day in the line's zone. */
export function clock(moment, zone) {
  if (!clocks.has(zone)) clocks.set(zone, new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: false, timeZone: zone }));
  return clocks.get(zone).format(moment);
}

/** How long ago, in two words. */
export function age(ms) {
  const s = ms / 1000;
  if (s < 10) return `${Math.max(0, s).toFixed(1)} s`;
  if (s < 120 && s % 60 !== 0) return `${Math.floor(s)} s`;
  const m = Math.floor(s / 60);
  if (m < 60) return `${m} min`;
  const h = Math.floor(m / 60);
  return h < 48 ? `${h} h ${m % 60} min` : `${Math.floor(h / 24)} d ${h % 24} h`;
}
