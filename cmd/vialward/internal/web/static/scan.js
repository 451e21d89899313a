"use strict";
// The page works without this. With it the field keeps the focus, a scan answers without the page being loaded anew, and
// what was done, taken or refused sounds and shakes differently.
(() => {
  const sounds = { done: [[880, 0.09], [1320, 0.12]], taken: [[660, 0.07]], wrong: [[196, 0.22], [0, 0.06], [196, 0.34]] };
  const shakes = { done: [60], taken: [25], wrong: [220, 90, 220] };
  let audio;

  const tell = (outcome) => {
    if (!sounds[outcome]) return;
    if (navigator.vibrate) navigator.vibrate(shakes[outcome]);
    try {
      audio = audio || new AudioContext();
      let at = audio.currentTime;
      for (const [hertz, seconds] of sounds[outcome]) {
        if (hertz > 0) {
          const tone = audio.createOscillator();
          const loud = audio.createGain();
          tone.type = outcome === "wrong" ? "square" : "sine";
          tone.frequency.value = hertz;
          loud.gain.value = 0.15;
          tone.connect(loud).connect(audio.destination);
          tone.start(at);
          tone.stop(at + seconds);
        }
        at += seconds;
      }
    } catch (e) { /* a device without sound: the words and the shake say it */ }
    document.documentElement.dataset.told = outcome;
  };

  const field = () => document.getElementById("scan");
  const focus = () => { const f = field(); if (f) f.focus({ preventScroll: true }); };
  const arrived = () => {
    const told = document.getElementById("told");
    const open = document.querySelector("main form.entry [aria-invalid=true]:not(#scan)");
    if (open) open.focus(); else focus();
    if (told) tell(told.dataset.outcome);
  };

  // A wedge scanner types its separator (ASCII 29) as Ctrl and ].
  document.addEventListener("keydown", (e) => {
    const f = field();
    if (!f) return;
    if (e.ctrlKey && (e.key === "]" || e.key === "\x1d")) {
      e.preventDefault();
      f.setRangeText("\x1d", f.selectionStart, f.selectionEnd, "end");
      return;
    }
    const typing = /^(INPUT|SELECT|TEXTAREA|BUTTON|A|SUMMARY)$/.test(document.activeElement.tagName);
    if (!typing && e.key.length === 1 && !e.ctrlKey && !e.altKey && !e.metaKey) f.focus();
  });

  // Scans come faster than answers: each waits for the one before. After one that was refused nothing that was scanned
  // behind it is taken: whoever scanned it could not know.
  const waiting = [];
  let busy = false;

  const show = (page, answer) => {
    const fresh = page.getElementById("main");
    if (!fresh || !page.getElementById("scan-form")) { location.assign(answer.url); return; }
    const typed = field().value;
    document.getElementById("main").replaceWith(fresh);
    field().value = typed; // of a scan that is still coming in
    const inHand = new URLSearchParams(new FormData(document.getElementById("scan-form")));
    inHand.delete("once");
    inHand.delete("scan");
    history.pushState(null, "", answer.redirected ? answer.url : "?" + inHand);
    arrived();
  };

  const pump = async () => {
    if (busy || waiting.length === 0) return;
    busy = true;
    const form = document.getElementById("scan-form");
    const sent = new URLSearchParams(new FormData(form));
    sent.set("scan", waiting[0]);
    try {
      const answer = await fetch(form.action, { method: "POST", body: sent, credentials: "same-origin" });
      if (answer.status >= 500) throw new Error("the record does not answer");
      waiting.shift();
      show(new DOMParser().parseFromString(await answer.text(), "text/html"), answer);
      if (document.getElementById("told") && document.getElementById("told").dataset.outcome === "wrong") waiting.length = 0;
    } catch (e) {
      // The mark of the form is the same when it is sent again: what was done meanwhile is not done twice.
      field().value = waiting[0];
      waiting.length = 0;
      document.getElementById("told").textContent = "STOP. The record does not answer: nothing is known to be done. Touch Take it once more; it is done once.";
      tell("wrong");
    } finally {
      busy = false;
    }
    pump();
  };

  document.addEventListener("submit", (e) => {
    if (e.target.id !== "scan-form") return;
    e.preventDefault();
    waiting.push(field().value);
    field().value = "";
    pump();
  });
  window.addEventListener("popstate", () => location.reload());
  arrived();
})();
