// The board's page: hears what the server tells and shows it as text, never as markup.
"use strict";

const by = (id) => document.getElementById(id);
const SILENT_MS = 6500; // three beats of the server
const GOOD = ["watching", "trouble"];

let events = null;
let heardAt = performance.now();
let lostAt = null;
let version = null;
let shown = null; // what is shown now
let shownAt = 0;
let shownKey = null;
let audio = null;
let reviewed = null;

function connect() {
  if (events) events.close();
  events = new EventSource("events");
  events.addEventListener("page", (event) => {
    heardAt = performance.now();
    if (version !== null && version !== event.data) location.reload();
    version = event.data;
  });
  const hear = (event) => {
    heardAt = performance.now();
    const told = JSON.parse(event.data);
    if (told.headline) show(told);
    watch(told.watch);
  };
  events.addEventListener("state", hear);
  events.addEventListener("beat", hear);
  events.onerror = () => {
    watch({ state: "lost", sentence: "The program that watches does not answer" });
    // the browser tries again by itself, unless it was answered with a refusal
    if (events.readyState === EventSource.CLOSED) setTimeout(connect, 1000);
  };
}

function text(id, words) {
  const place = by(id);
  if (place.textContent !== words) place.textContent = words;
}

function watch(told) {
  const before = document.body.dataset.watch;
  // what the server told last stays true while it cannot be reached: a watch that was stopped is stopped
  if (told.state === "lost" && ["stopped", "lost"].includes(before) && lostAt !== null) return;
  const state = told.state.replace(/\s/g, "");
  document.body.dataset.watch = state;
  const good = GOOD.includes(told.state);
  if (good) lostAt = null;
  else if (lostAt === null) lostAt = new Date();
  by("lost").hidden = good;
  by("earlier").hidden = good || !shown || shown.headline.entry === null;
  text("watch", good ? told.sentence : "Not watching");
  text("lost-why", good ? "" : `${told.sentence}.`);
  text("lost-since", good ? "" : `What is below is of ${clock(lostAt)}: check the computer at the line.`);
  if (before !== state) {
    if (!good) {
      say(`Not watching. ${told.sentence}`);
      ring("lost");
    } else if (!GOOD.includes(before) && shownKey !== null) say("Watching again");
  }
}

const clock = (moment) => moment.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });

function show(told) {
  const first = shown === null;
  const head = told.headline;
  shown = told;
  shownAt = performance.now();
  document.title = `${told.line || "Line"}: ${head.word}`;
  document.body.dataset.kind = head.kind;
  text("line", told.line ? `Line ${told.line}` : "Line");
  by("shape").setAttribute("href", `#shape-${head.kind}`);
  text("word", head.word);
  text("beer", head.beer);
  text("lot", head.lot);
  by("lot-part").hidden = !head.lot;
  text("to-do", head.to_do);
  text("time", head.time);
  text("colour", head.colour);
  by("headline").classList.toggle("long", head.to_do.length > 110 || (head.beer + head.lot).length > 50);
  by("headline").classList.toggle("wide", head.word.length > 10);
  text("why", head.why || "-");
  by("stops").hidden = !told.stops;
  text("stops-why", told.stops);
  text("state", told.state);
  text("control", told.control.sentence);
  text("n-waiting", String(told.n_waiting));
  by("waiting").replaceChildren(...told.waiting.map((row) => listed(row, "waits", row.what, `${row.state}: ${row.to_do}`, told.review)));
  const more = told.n_waiting - told.waiting.length;
  by("more").hidden = more <= 0;
  text("more", more > 0 ? `and ${more} more` : "");
  by("newest").replaceChildren(...told.newest.map((row) => listed(row, row.kind, row.word, row.what, null)));
  age();
  const key = [head.kind, head.word, head.entry, head.review, told.stops].join("|");
  if (key !== shownKey) {
    shownKey = key;
    say([head.word, head.beer, head.lot && `lot ${head.lot}`, head.to_do, told.stops].filter(Boolean).join(". "));
    if (!first) {
      ring(told.stops ? "hold" : head.kind);
      const panel = by("headline");
      panel.classList.remove("new");
      void panel.offsetWidth; // so that the mark of something new starts over
      panel.classList.add("new");
    }
  }
}

function listed(row, kind, word, words, review) {
  const shapes = { consistent: "consistent", hold: "hold", rescan: "rescan", reading: "reading", left_out: "left_out", review: "review", waits: "review" };
  const item = document.createElement("li");
  item.dataset.kind = kind;
  if (kind !== "waits") item.className = "short";
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  use.setAttribute("href", `#shape-${row.word && row.word.toLowerCase().startsWith("control") ? "control" : shapes[kind] || "nothing"}`);
  svg.append(use);
  const what = document.createElement("span");
  what.className = "what";
  const strong = document.createElement("b");
  strong.textContent = word;
  const rest = document.createElement("bdi");
  rest.dir = "ltr"; // a sentence of ours, also where it begins with a name that is read from the right
  rest.textContent = words;
  what.append(strong, " ", rest);
  const time = document.createElement("time");
  time.textContent = `${row.time} #${row.entry}`;
  item.append(svg, what, time);
  if (review) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "Review";
    button.setAttribute("aria-label", `Review entry ${row.entry}`);
    button.onclick = () => ask(row, review);
    item.append(button);
  }
  return item;
}

function age() {
  const head = shown && shown.headline;
  if (!head || head.age_s === null) return text("age", "");
  const minutes = Math.floor((head.age_s + (performance.now() - shownAt) / 1000) / 60);
  const hours = Math.floor(minutes / 60);
  text("age", minutes < 1 ? "just now" : minutes < 90 ? `${minutes} min ago` : hours < 48 ? `${hours} h ago` : `${Math.floor(hours / 24)} days ago`);
}

function say(words) {
  by("spoken").textContent = words;
}

// one pattern of tones a decision: pitch in Hz, seconds each
const TONES = { consistent: [[660, 0.15]], hold: [[220, 0.5], [165, 0.5], [220, 0.5], [165, 0.5]],
  rescan: [[440, 0.2], [330, 0.3], [440, 0.2], [330, 0.3]], left_out: [[330, 0.3], [330, 0.3]], reading: [[520, 0.1]],
  lost: [[165, 0.7], [130, 0.7], [110, 0.9]] };

function ring(kind) {
  if (!audio || audio.state !== "running") return;
  let at = audio.currentTime;
  for (const [pitch, lasts] of TONES[kind] || []) {
    const tone = audio.createOscillator();
    const loud = audio.createGain();
    tone.frequency.value = pitch;
    tone.type = "triangle";
    loud.gain.setValueAtTime(0.4, at);
    loud.gain.exponentialRampToValueAtTime(0.01, at + lasts);
    tone.connect(loud).connect(audio.destination);
    tone.start(at);
    tone.stop(at + lasts);
    at += lasts + 0.05;
  }
}

function soundShown() {
  const on = audio !== null && audio.state === "running";
  by("sound").setAttribute("aria-pressed", String(on));
  text("sound", on ? "Sound is on" : "Sound is off");
}

async function sound() {
  const on = audio !== null && audio.state === "running";
  if (on) await audio.suspend();
  else {
    audio = audio || new AudioContext();
    await audio.resume();
    ring("reading");
  }
  soundShown();
}

function ask(row, review) {
  reviewed = row;
  text("review-title", `Review of entry ${row.entry}: ${row.what}`);
  by("outcome").replaceChildren(...review.outcomes.map((name) => new Option(name, name)));
  by("outcome").prepend(new Option("", "", true, true));
  by("second-part").hidden = !review.second;
  by("second").required = review.second;
  text("review-said", "");
  by("review").showModal();
}

async function send(event) {
  event.preventDefault();
  by("send").disabled = true;
  try {
    const answer = await fetch("review", {
      method: "POST",
      headers: { "Content-Type": "application/json", Authorization: `Bearer ${by("token").value}` },
      body: JSON.stringify({ entry: reviewed.entry, outcome: by("outcome").value, operator: by("operator").value,
        note: by("note").value, second: by("second").value }),
    });
    const said = await answer.json();
    if (!answer.ok) throw new Error(said.error);
    by("review-form").reset(); // the token too: it is asked for each time
    by("review").close();
    say(`The review of entry ${reviewed.entry} is written`);
  } catch (error) {
    text("review-said", `Not written: ${error.message}`);
  } finally {
    by("send").disabled = false;
  }
}

by("sound").onclick = sound;
by("review-form").onsubmit = send;
by("cancel").onclick = () => by("review").close();
setInterval(() => {
  age();
  if (performance.now() - heardAt > SILENT_MS) {
    heardAt = performance.now();
    watch({ state: "lost", sentence: "The program that watches does not answer" });
    connect();
  }
}, 500);
connect();
