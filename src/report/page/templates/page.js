// The served page: keys, decisions without loading anew, sound. Everything it does is also a plain
// form or link, so that the page works without it.
"use strict";
(() => {
  const all = document.getElementById("all");
  const said = document.getElementById("said");
  const sound = document.getElementById("sound");
  const player = document.getElementById("player");
  let digest = top().dataset.digest;
  let busy = false;

  document.documentElement.classList.add("script");

  function top() { return all.querySelector("header.top"); }
  function matters() { return [...all.querySelectorAll("details.matter")]; }
  function atHand() { return all.querySelector("details.matter[open]"); }

  function tell(text, attention) {
    said.classList.toggle("attention", !!attention);
    said.textContent = "";
    // A text that is the same as before must be told again, too.
    requestAnimationFrame(() => { said.textContent = text; });
  }

  function open(matter) {
    if (!matter) return;
    matter.open = true;
    const head = matter.querySelector("summary");
    head.focus({ preventScroll: true });
    matter.scrollIntoView({ block: "nearest" });
  }

  // What was typed into the matter at hand, to be put back when the page was changed elsewhere.
  function typed(form) {
    const out = {};
    if (form) for (const e of form.elements) if (e.type === "text" && e.value !== e.defaultValue) out[e.name] = e.value;
    return out;
  }

  function show(answer, keep) {
    const was = matters().map((m) => m.id);
    const now = atHand();
    const place = now ? was.indexOf(now.id) : 0;
    const unfolded = [...all.querySelectorAll("details:not(.matter)")].map((d) => d.open);
    all.innerHTML = answer.body;
    digest = top().dataset.digest;
    const folds = [...all.querySelectorAll("details:not(.matter)")];
    if (folds.length === unfolded.length) folds.forEach((d, k) => { d.open = unfolded[k]; });
    const list = matters();
    const same = now && list.find((m) => m.id === now.id);
    const next = list.find((m) => m.classList.contains("asked")) || same || list[Math.min(place, list.length - 1)];
    if (next) {
      open(next);
      for (const [name, value] of Object.entries(keep || {})) {
        const field = next.querySelector(`input[name="${name}"]`);
        if (field) field.value = value;
      }
    } else {
      document.getElementById("main").focus();
    }
  }

  async function ask(request, form) {
    if (busy) return;
    busy = true;
    try {
      const got = await fetch(request);
      const answer = await got.json();
      if (answer.body) show(answer, got.status === 409 ? typed(form) : {});
      if (answer.anyway && form) {
        const box = form.querySelector(".anyway");
        if (box) { box.classList.add("shown"); box.querySelector("input").focus(); }
      }
      tell(answer.message, !got.ok);
    } catch (e) {
      tell("The program behind this page does not answer; nothing was written. Open the page again with cotside review.", true);
    } finally {
      busy = false;
    }
  }

  const wants = { Accept: "application/json" };

  document.addEventListener("submit", (e) => {
    const form = e.target;
    e.preventDefault();
    const data = new URLSearchParams(new FormData(form, e.submitter));
    if (form.method === "post") {
      ask(new Request("/decide", { method: "POST", headers: wants, body: data }), form);
    } else {
      ask(new Request("/body?" + data, { headers: wants }), form);
    }
  });

  document.addEventListener("click", (e) => {
    const hear = e.target.closest("[data-hear]");
    if (hear) { e.preventDefault(); play(hear.dataset.hear); return; }
    const other = e.target.closest("[data-ask]");
    if (other) { e.preventDefault(); ask(new Request("/body?" + other.dataset.ask, { headers: wants })); }
  });

  // Sound

  function row(seq) { return document.getElementById("phrase-" + seq); }
  function audible() { return [...all.querySelectorAll(".phrases a.hear")].map((a) => a.dataset.hear); }

  function play(seq) {
    const line = row(seq);
    if (!line || !line.querySelector("a.hear")) { tell("No sound is kept for this phrase.", true); return; }
    sound.hidden = false;
    sound.dataset.seq = seq;
    document.getElementById("sound-clock").textContent = line.querySelector("a.hear").textContent;
    document.getElementById("sound-words").textContent = line.querySelector("q").textContent;
    for (const e of all.querySelectorAll(".playing")) e.classList.remove("playing");
    line.classList.add("playing");
    player.src = "/phrase/" + seq + ".wav";
    player.play().catch(() => tell("The sound of this phrase cannot be played.", true));
  }

  function step(by) {
    const list = audible();
    if (!list.length) { tell("No sound is kept for this exam.", true); return; }
    const at = list.indexOf(sound.dataset.seq);
    play(list[at < 0 ? 0 : Math.max(0, Math.min(list.length - 1, at + by))]);
  }

  // Keys

  function on() { const box = document.getElementById("keys-on"); return !box || box.checked; }

  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.altKey || e.metaKey || e.isComposing) return;
    const field = e.target.closest("input:not([type=radio], [type=checkbox]), select, textarea");
    if (e.key === "Escape") {
      if (field) { const m = field.closest("details"); if (m) m.querySelector("summary").focus(); else field.blur(); }
      return;
    }
    if (field || !on()) return;
    const key = e.key.toLowerCase();
    const list = matters();
    const now = atHand();
    const place = now ? list.indexOf(now) : -1;
    if (key === "n" || key === "p") {
      if (!list.length) tell("Nothing is open.");
      else open(list[(place + (key === "n" ? 1 : -1) + list.length) % list.length]);
    } else if (key === "h") {
      const hear = now && now.querySelector("[data-hear]");
      if (hear) play(hear.dataset.hear); else tell("No sound is kept for this matter.", true);
    } else if (key === "j" || key === "k") {
      step(key === "j" ? 1 : -1);
    } else if (key === "u") {
      const seq = top().dataset.last;
      if (!seq || !document.getElementById("add")) tell("There is no decision to take back.", true);
      else {
        const data = new URLSearchParams({ digest, about: "entry:" + seq, act: "undo" });
        ask(new Request("/decide", { method: "POST", headers: wants, body: data }));
      }
    } else if (key === "m") {
      const field = document.querySelector("#add input");
      if (field) field.focus();
    } else if (key === "?") {
      const keys = document.getElementById("keys");
      keys.scrollIntoView();
      document.getElementById("keys-on").focus();
    } else if (now) {
      const target = now.querySelector(`[data-key="${CSS.escape(key)}"]`);
      if (!target) return;
      if (target.type === "radio") { target.checked = true; target.focus(); }
      else if (target.tagName === "BUTTON") target.form.requestSubmit(target);
      else { target.focus(); target.select(); }
    } else {
      return;
    }
    e.preventDefault();
  });

  // What changes elsewhere is shown here; the line also tells the program that the page is there.
  const line = new EventSource("/events");
  line.addEventListener("journal", (e) => {
    if (e.data === digest || busy) return;
    const field = document.activeElement;
    if (field && field.matches("input:not([type=radio], [type=checkbox])") && field.value !== field.defaultValue) {
      tell("The exam was changed elsewhere. Finish here; the page then shows how it stands.", true);
      return;
    }
    ask(new Request("/body?elsewhere=", { headers: wants }));
  });
  window.addEventListener("pagehide", () => line.close());
  window.addEventListener("pageshow", (e) => { if (e.persisted) location.reload(); });
})();
