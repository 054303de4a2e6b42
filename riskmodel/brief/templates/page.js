"use strict";
// Looks up what the page already holds: every text and every point was worked out when the page was made.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const form = document.getElementById("asked");
  const slider = document.getElementById("age");
  const MARK = "#life:";
  const each = (selector, work) => document.querySelectorAll(selector).forEach(work);
  const boxes = () => [...form.querySelectorAll("input[name=with]")];
  const list = form.querySelector("select[name=portfolio]");
  const choiceOf = (key) => data.choices.find((choice) => choice.key === key);
  let chart = null;

  const asked = () => ({
    key: list ? list.value : boxes().filter((box) => box.checked).map((box) => box.value).join("+"),
    age: Number(slider.value),
  });

  const put = (key, age) => {
    if (list) list.value = key;
    boxes().forEach((box) => { box.checked = key.split("+").includes(box.value); });
    slider.value = age;
  };

  const say = ({ key, age }) => {
    const now = choiceOf(""), chosen = choiceOf(key), more = chosen.more.length > 0;
    const texts = {
      age, now: now.alive[age], words: chosen.words, alive: chosen.alive[age], more: more ? chosen.more[age] : "",
    };
    each("[data-said]", (place) => { place.textContent = texts[place.dataset.said]; });
    each("[data-only=chosen]", (place) => { place.hidden = !more; });
    each("[data-only=beyond]", (place) => { place.hidden = age <= Number(place.dataset.from); });
    each("[data-cell]", (place) => { place.textContent = chosen.cells[place.dataset.cell]; });
    each("[data-gain]", (place) => { place.textContent = more ? chosen.gains[place.dataset.gain] : ""; });
    document.getElementById("age-shown").textContent = age;
    slider.setAttribute("aria-valuetext", `${age} years`);
  };

  // ------------------------------------------------------------------ chart

  const rows = (who, choice) => data.ages.map((age, i) => ({
    age, who, mean: choice.mean[i], low: choice.low[i], high: choice.high[i],
  }));

  const curves = (key) => {
    const now = rows("current practice", choiceOf(""));
    return key === "" ? now : now.concat(rows("chosen", choiceOf(key)));
  };

  const draw = async ({ key, age }) => {
    if (chart) await chart.data("curves", curves(key)).signal("asked", age).runAsync();
  };

  const start = async ({ key, age }) => {
    const place = document.getElementById("live"), figure = document.getElementById("moving");
    if (!place || !data.chart || typeof vegaEmbed !== "function") return;
    data.chart.data.find((set) => set.name === "curves").values = curves(key);
    data.chart.signals.find((signal) => signal.name === "asked").value = age;
    figure.hidden = false;  // a hidden place has no width
    try {
      const options = { mode: "vega", renderer: "svg", actions: false, defaultStyle: false, tooltip: false };
      chart = (await vegaEmbed(place, data.chart, options)).view;
      document.getElementById("still").hidden = true;
      await draw(asked());
    } catch (error) {
      figure.hidden = true;
      throw error;
    }
  };

  // ------------------------------------------------------------------ address

  const addressOf = ({ key, age }) => `${MARK}with=${encodeURIComponent(key)};age=${age}`;

  const fromAddress = () => {
    if (!location.hash.startsWith(MARK)) return null;
    const parts = Object.fromEntries(location.hash.slice(MARK.length).split(";").map((part) => part.split("=")));
    let key;
    try { key = decodeURIComponent(parts.with ?? ""); } catch { return null; }
    const age = Math.round(Number(parts.age));
    return choiceOf(key) && data.ages.includes(age) ? { key, age } : null;
  };

  const show = () => {
    const state = asked();
    say(state);
    document.getElementById("here").href = addressOf(state);
    return draw(state);
  };

  const changed = () => {
    history.replaceState(null, "", addressOf(asked()));
    show();
  };

  const arrived = () => {
    const state = fromAddress();
    if (!state) return;
    put(state.key, state.age);
    show();
    document.getElementById("life").scrollIntoView();
  };

  form.addEventListener("input", changed);
  form.addEventListener("submit", (event) => event.preventDefault());
  window.addEventListener("hashchange", arrived);

  // ------------------------------------------------------------------ tables

  const value = (row, column) => {
    const text = row.children[column].dataset.by;
    return text === "" || Number.isNaN(Number(text)) ? text : Number(text);
  };

  const compare = (a, b) => {
    const [x, y] = [typeof a === "number", typeof b === "number"];
    if (x && y) return a - b;
    return x === y ? String(a).localeCompare(String(b)) : x ? -1 : 1;
  };

  const sort = (table, head, column) => {
    const up = head.getAttribute("aria-sort") === "descending" || (!head.hasAttribute("aria-sort") && column === 0);
    table.querySelectorAll("thead th").forEach((other) => other.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", up ? "ascending" : "descending");
    const body = table.tBodies[0];
    const sorted = [...body.rows].sort((a, b) => (up ? 1 : -1) * compare(value(a, column), value(b, column)));
    body.append(...sorted);
  };

  each("table[data-sortable]", (table) => {
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      head.querySelector("button").addEventListener("click", () => sort(table, head, column));
    });
  });

  // folded tables print whole
  window.addEventListener("beforeprint", () => each("details", (part) => { part.open = true; }));

  const state = fromAddress();
  put(state ? state.key : data.start, state ? state.age : data.startAge);
  show();
  if (state) document.getElementById("life").scrollIntoView();
  start(asked());
})();
