"use strict";
// The page works without this: a button asks the server what follows from what is typed. With it the server is asked as
// soon as a field is left, and what is typed is kept there meanwhile.
(() => {
  const form = document.querySelector("form[data-live]");
  if (!form) return;
  let asked = 0;
  const ask = async () => {
    const turn = ++asked;
    let answer;
    try {
      answer = await fetch(form.dataset.live, { method: "POST", body: new URLSearchParams(new FormData(form)), credentials: "same-origin" });
    } catch (e) {
      document.getElementById("live").dataset.stale = "yes"; // the network is away: what stands in the fields stays there
      return;
    }
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (turn !== asked) return;
    const fresh = page.getElementById("live");
    if (!fresh) { location.assign(answer.url); return; }
    document.getElementById("live").replaceWith(fresh);
    const theirs = page.querySelector("form[data-live]");
    if (theirs.querySelectorAll("[name]").length !== form.querySelectorAll("[name]").length) { location.assign(answer.url); return; }
    for (const field of theirs.querySelectorAll("input[name]:not([type=checkbox]):not([type=hidden])")) {
      const mine = form.querySelector(`[name="${CSS.escape(field.name)}"]`);
      if (mine && mine !== document.activeElement && mine.value !== field.value && field.value !== "") mine.value = field.value;
    }
    document.documentElement.dataset.followed = turn;
  };
  form.addEventListener("change", ask);
})();
