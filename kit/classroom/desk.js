// The class desk's pages: ask for news, show them, and tell the desk what the teacher chose. All HTML comes escaped.
const { page, prefix } = document.body.dataset;
const at = (id) => document.getElementById(id);
let version = 0;
let shown = null;
let scrolled = 0;
let parts = [];
let questions = [];
let asking = new AbortController();

const chosen = () => ({
  part: at("part").value,
  question: at("question").value,
  moment: at("moment").value,
  marked: at("mark").checked,
});

function fill(select, options) {
  const before = select.value;
  const now = JSON.stringify(options);
  if (select.dataset.options === now) return;
  select.dataset.options = now;
  select.replaceChildren(
    ...options.map(([value, words]) => Object.assign(document.createElement("option"), { value, textContent: words })),
  );
  if (options.some(([value]) => value === before)) select.value = before;
}

function fit() {
  const part = parts.find((one) => one.id === at("part").value);
  at("question-of").hidden = !part?.per_question;
  at("mark-of").hidden = !part?.can_mark;
  at("moment-of").hidden = !part?.has_moments;
  for (const id of ["cover", "down", "up"]) at(id).disabled = !shown;
}

// What was unfolded stays so, and so does the place on the page.
function put(place, html) {
  if (place.dataset.html === html) return;
  const open = [...place.querySelectorAll("details")].map((fold) => fold.open);
  const top = window.scrollY;
  place.dataset.html = html;
  place.innerHTML = html;
  place.querySelectorAll("details").forEach((fold, k) => {
    fold.open = Boolean(open[k]);
  });
  window.scrollTo(0, top);
}

function take(news) {
  ({ version, shown, parts, questions } = news);
  fill(at("part"), parts.map((part) => [part.id, part.title]));
  fill(at("question"), questions.map((question, k) => [question.id, `${k + 1}. ${question.text}`]));
  put(at("content"), news.html);
  if (page === "screen" && news.scrolled !== scrolled) {
    scrolled = news.scrolled;
    window.scrollTo({ top: 0.85 * scrolled * window.innerHeight });
  }
  if (page === "teacher") {
    put(at("standing"), news.standing);
    const title = parts.find((part) => part.id === shown?.part)?.title;
    at("now").textContent = title ? `On the projector now: ${title}.` : "On the projector: nothing.";
    if (document.activeElement !== at("groups")) at("groups").value = news.groups || "";
  }
  fit();
}

async function ask(path, options) {
  const answer = await fetch(`${prefix}teacher/${path}`, options);
  if (!answer.ok) throw new Error(`${answer.status}`);
  return answer.json();
}

async function follow() {
  let wait = 0;
  for (;;) {
    if (wait) await new Promise((done) => setTimeout(done, wait));
    asking = new AbortController();
    const look = page === "teacher" ? `&${new URLSearchParams(chosen())}` : "";
    try {
      take(await ask(`live?page=${page}&after=${version}${look}`, { signal: asking.signal }));
      at("trouble").hidden = true;
      wait = 0;
    } catch (problem) {
      const changed = problem.name === "AbortError";
      at("trouble").hidden = changed || at("trouble").hidden;
      if (!changed) at("trouble").hidden = false;
      wait = changed ? 0 : 1000;
    }
  }
}

function again() {
  version = 0;
  asking.abort();
}

async function act(what) {
  try {
    await ask("act", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(what) });
  } catch {
    at("trouble").hidden = false;
  }
}

function listen() {
  for (const id of ["part", "question", "moment", "mark"]) {
    at(id).addEventListener("change", () => {
      fit();
      if (page === "teacher") again();
    });
  }
  at("show").addEventListener("click", () => act({ do: "show", ...chosen() }));
  at("cover").addEventListener("click", () => act({ do: "cover" }));
  at("down").addEventListener("click", () => act({ do: "scroll", by: 1 }));
  at("up").addEventListener("click", () => act({ do: "scroll", by: -1 }));
  at("groups")?.addEventListener("change", () => act({ do: "groups", groups: Number(at("groups").value) || 0 }));
  at("full")?.addEventListener("click", () => {
    if (document.fullscreenElement) document.exitFullscreen();
    else document.documentElement.requestFullscreen();
  });
  at("theme").addEventListener("click", () => {
    const dark = document.documentElement.dataset.theme === "dark";
    document.documentElement.dataset.theme = dark ? "light" : "dark";
  });
  let hide = 0;
  if (page === "screen") {
    addEventListener("mousemove", () => {
      document.body.classList.add("moved");
      clearTimeout(hide);
      hide = setTimeout(() => document.body.classList.remove("moved"), 2500);
    });
  }
}

if (page) {
  document.documentElement.dataset.theme = matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
  listen();
  follow();
}
