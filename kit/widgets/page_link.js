// A run that this page measures, on its way to Python, which keeps it on the disk. Every piece stays here, and in this
// tab's memory, until the run is over and saved: a connection that breaks, a kernel that begins anew or a page that is
// loaded again loses nothing. Pieces are numbered by the bytes before them, so nothing is doubled. page_link.py answers.

const BEAT_MS = 500; // Python is told this often that the page is there
const SILENT_S = 3; // after so long without an answer the student is told

// `name` of the widget's memory; `changed()` is called when there is something new to show, `over(refusal)` when the run
// has ended in Python.
function pageLink(model, undo, name, changed, over) {
  const store = `kit-run-${name}`, mine = (globalThis.kitRunsInUse ??= new Set());
  let run = null, timer = 0, stored = 0;
  const seconds = () => (performance.timeOrigin + performance.now() - run.began) / 1000;
  const send = (message, data) => {
    try {
      model.send({ run: run.id, notes: run.notes, clock: link.clock ? link.clock() : undefined, ...message }, undefined, data ? [data] : []);
    } catch { /* the kernel is gone: all is still here, and goes again */ }
  };
  const text = (bytes) => String.fromCharCode(...bytes), bytes = (string) => Uint8Array.from(string, (c) => c.charCodeAt(0));
  function remember() {
    stored = performance.now();
    try {
      if (!run) return sessionStorage.removeItem(store);
      const pieces = run.pieces.map(({ at, s, data, clock }) => [at, s, text(data), clock]);
      sessionStorage.setItem(store, JSON.stringify({ ...run, pieces }));
    } catch { /* no memory, or it is full: this page still has all */ }
  }
  const start = () => send({ start: true, conditions: run.conditions });
  const post = (piece) => send({ at: piece.at, s: piece.s, clock: piece.clock }, piece.data.slice().buffer);
  const finish = () => send({ at: run.total, s: seconds(), end: run.end });
  function forget(refusal = "") {
    mine.delete(run.id);
    run = null;
    clearInterval(timer);
    remember();
    over(refusal);
  }
  function beat() {
    if (performance.now() - stored > 1000) remember();
    if (run.end) finish();
    else send({ at: run.total, s: seconds() });
    changed();
  }
  function live() {
    mine.add(run.id);
    clearInterval(timer);
    timer = setInterval(beat, BEAT_MS);
    start();
  }
  const heard = (message) => {
    if (!run || message.run !== run.id) return;
    if (message.s != null) run.heard = Math.max(run.heard, message.s); // of the page's own message that is answered
    if (message.refused) return forget(message.refused);
    if (message.conditions) run.conditions = message.conditions;
    if (message.unknown) {
      run.saved = 0;
      start();
    }
    if (message.saved != null) run.saved = message.saved;
    if (message.gap) run.pieces.filter((p) => p.at + p.data.length > message.have).forEach(post);
    if (message.over) return forget();
    changed();
  };
  model.on("msg:custom", heard);
  const leave = () => { if (run) remember(); };
  window.addEventListener("pagehide", leave);
  undo.push(() => {
    model.off("msg:custom", heard);
    window.removeEventListener("pagehide", leave);
    clearInterval(timer);
    if (run) {
      run.end ??= "page";
      remember();
      mine.delete(run.id);
    }
  });
  const link = {
    clock: null, // seconds by which rest is judged, where these are not the page's: those of a film
    get on() { return Boolean(run && !run.end); },
    get ending() { return Boolean(run?.end); },
    get silent() { return Boolean(run && seconds() - run.heard > SILENT_S); },
    get waiting() { // lines that are not on the disk yet
      if (!run) return 0;
      return run.pieces.filter((p) => p.at + p.data.length > run.saved).reduce((n, p) => n + p.data.filter((b) => b === 10).length, 0);
    },
    begin() {
      run = { id: Math.random().toString(36).slice(2), began: performance.timeOrigin + performance.now(), pieces: [], total: 0, saved: 0, notes: [], end: null, heard: 0, conditions: null };
      live();
    },
    add(data) {
      if (!run || run.end || !data.length) return;
      const piece = { at: run.total, s: seconds(), data, clock: link.clock ? link.clock() : undefined };
      run.pieces.push(piece);
      run.total += data.length;
      post(piece);
      changed();
    },
    print: (line) => link.add(new TextEncoder().encode(`${line}\n`)),
    note(words) { run?.notes.push(words); },
    end(why) {
      if (!run || run.end) return;
      run.end = why;
      remember();
      finish();
      changed();
    },
    // Bring in what a page before this one has left. Returns whether there is any.
    recover() {
      let left = null;
      try {
        left = JSON.parse(sessionStorage.getItem(store) ?? "null");
      } catch { /* nothing that can be read */ }
      if (run || !left || mine.has(left.id)) return false;
      run = { ...left, pieces: left.pieces.map(([at, s, data, clock]) => ({ at, s, data: bytes(data), clock: clock ?? undefined })), end: left.end ?? "page", saved: 0 };
      run.heard = seconds();
      live();
      return true;
    },
  };
  return link;
}

// What is common to the panels: words before the question, a line that says how it stands.
function linkWords(link, measuring) {
  if (link.silent) return [`Python does not answer. ${countOf(link.waiting, "line waits", "lines wait")} on this page. Keep it open: they go on by themselves when Python is back.`, true];
  if (link.ending) return ["Python is writing the last lines.", false];
  return link.on ? [measuring, false] : null;
}
const countOf = (n, one, many) => `${n} ${n === 1 ? one : many}`;

function pagePanel(el, explanation) {
  const said = make("div", { class: "kit-say", role: "status", "aria-live": "polite" });
  let last = "";
  const say = (words, problem = false) => {
    const text = [words].flat().filter(Boolean);
    if (last === text.join("\n")) return; // a screen reader hears it once
    last = text.join("\n");
    said.classList.toggle("kit-problem", problem);
    said.replaceChildren(...text.map((sentence) => make("p", {}, sentence)));
  };
  const button = (words, onclick, extra = "") => make("button", { type: "button", class: `jupyter-button ${extra}`, onclick }, words);
  el.classList.add("kit-box", "kit-page");
  el.append(make("p", { class: "kit-page-note" }, explanation));
  return { said, say, button };
}

const OTHER_WAYS = "Other ways are on this page too: another source, tapping, or a file.";
