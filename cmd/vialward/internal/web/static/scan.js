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

  let busy = false;
  document.addEventListener("submit", async (e) => {
    if (e.target.id !== "scan-form") return;
    e.preventDefault();
    if (busy) return;
    busy = true;
    try {
      const answer = await fetch(e.target.action, { method: "POST", body: new URLSearchParams(new FormData(e.target)), credentials: "same-origin" });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.getElementById("main");
      if (!fresh || !page.getElementById("scan-form")) { location.assign(answer.url); return; }
      document.getElementById("main").replaceWith(fresh);
      history.pushState(null, "", answer.redirected ? answer.url : "/scan");
      arrived();
    } catch (e) {
      // No network: the form goes the plain way, once. The same mark keeps it from being done twice.
      document.getElementById("told").textContent = "The network does not answer: nothing is known to be done. Touch Take it again.";
      tell("wrong");
    } finally {
      busy = false;
    }
  });
  window.addEventListener("popstate", () => location.reload());
  arrived();
})();
