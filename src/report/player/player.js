"use strict";
// All sounds run side by side at the same place and one of them is let through, so that a
// change-over keeps the place to the sample.
(() => {
  const FADE_S = 0.005;
  const LETTERS = "ABCDEFGHIJKLMNOPQRSTUVW";

  // ---- sound ----

  // Carries sources, a gain for each, and one for the level. Works in a live context and offline.
  class Deck {
    constructor(context, buffers) {
      this.context = context;
      this.buffers = buffers;
      this.level = context.createGain();
      this.level.connect(context.destination);
      this.gains = [];
      this.sources = [];
    }

    // Starts all at `place` (s) at the context's time `at`; sound `now` is let through.
    start(now, place, loop, at) {
      this.gains = this.buffers.map((_, k) => {
        const gain = this.context.createGain();
        gain.gain.value = 0;
        gain.connect(this.level);
        return { gain, from: 0, to: 0, at };
      });
      this.sources = this.buffers.map((buffer, k) => {
        const source = this.context.createBufferSource();
        source.buffer = buffer;
        if (loop) {
          source.loop = true;
          source.loopStart = loop[0];
          source.loopEnd = loop[1];
        }
        source.connect(this.gains[k].gain);
        source.start(at, place);
        return source;
      });
      this.begun = { at, place, loop };
      this.pick(now, at);
    }

    // Lets sound `now` through from the time `at`, with a cross-fade whose gains add up to one.
    pick(now, at) {
      this.gains.forEach((g, k) => {
        const part = Math.min(Math.max((at - g.at) / FADE_S, 0), 1);
        g.from = g.from + (g.to - g.from) * part;
        g.to = k === now ? 1 : 0;
        g.at = at;
        g.gain.gain.cancelScheduledValues(at);
        g.gain.gain.setValueAtTime(g.from, at);
        g.gain.gain.linearRampToValueAtTime(g.to, at + FADE_S);
      });
    }

    // Where the sounds are at the context's time, s.
    place(at) {
      const { at: begun, place, loop } = this.begun;
      const gone = place + Math.max(0, at - begun);
      if (!loop || gone < loop[1]) return gone;
      return loop[0] + ((gone - loop[0]) % (loop[1] - loop[0]));
    }

    stop(at) {
      this.pick(-1, at);
      this.sources.forEach((source) => {
        source.onended = null;
        source.stop(at + 2 * FADE_S);
      });
      this.sources = [];
    }
  }

  function decoded(root) {
    const rate = Number(root.dataset.rate);
    const offline = new OfflineAudioContext(1, 1, rate);
    return Promise.all([...root.querySelectorAll(".sounds audio")].map((audio) => {
      const text = atob(audio.getAttribute("src").split(",")[1]);
      const bytes = new Uint8Array(text.length);
      for (let k = 0; k < text.length; k++) bytes[k] = text.charCodeAt(k);
      return offline.decodeAudioData(bytes.buffer);
    }));
  }

  // ---- the blind test ----

  // The probability of `right` or more of `trials` by guessing: the binomial distribution's tail.
  function byGuessing(right, trials) {
    let term = Math.pow(0.5, trials);
    let sum = 0;
    for (let k = 0; k <= trials; k++) {
      if (k >= right) sum += term;
      term *= (trials - k) / (k + 1);
    }
    return Math.min(1, sum);
  }

  function percent(p) {
    const hundredths = 100 * p;
    return hundredths < 0.01 ? "less than 0.01 %" : Number(hundredths.toPrecision(3)) + " %";
  }

  // True or false, evenly and out of reach of whoever listens.
  function coin() {
    return (crypto.getRandomValues(new Uint8Array(1))[0] & 1) === 1;
  }

  function player(root) {
    const all = (selector) => [...root.querySelectorAll(selector)];
    const is = (name) => root.querySelector(`[data-is="${name}"]`);
    const rate = Number(root.dataset.rate);
    const length = Number(root.dataset.length) / rate;
    const rows = all(".sounds li");
    const names = rows.map((row) => row.dataset.name);
    const state = { now: 0, place: 0, loop: null, playing: false, unknown: false };
    let context = null;
    let buffers = null;
    let deck = null;
    let test = null;

    const seconds = (s) => s.toFixed(2) + " s";

    // ---- playing ----

    const place = () => (state.playing ? Math.min(deck.place(context.currentTime), length) : state.place);

    async function play() {
      if (state.playing) return;
      context ??= new AudioContext({ sampleRate: rate, latencyHint: "interactive" });
      buffers ??= decoded(root);
      try {
        buffers = await buffers;
        await context.resume();
      } catch (e) {
        is("said").textContent = "This browser cannot play the sounds: " + e.message;
        return;
      }
      if (state.playing) return;
      begin();
      tick();
    }

    function begin() {
      if (state.loop && (state.place < state.loop[0] || state.place >= state.loop[1])) state.place = state.loop[0];
      if (state.place >= length) state.place = 0;
      deck = new Deck(context, buffers);
      level();
      deck.start(sounding(), state.place, state.loop, context.currentTime + 0.01);
      deck.sources[0].onended = () => {
        state.playing = false;
        state.place = 0;
        show();
      };
      state.playing = true;
      show();
    }

    function pause() {
      if (!state.playing) return;
      state.place = place();
      deck.stop(context.currentTime);
      state.playing = false;
      show();
    }

    // Puts whatever changed into force where it plays.
    function again(change) {
      const was = state.playing;
      if (was) {
        state.place = place();
        deck.stop(context.currentTime);
        state.playing = false;
      }
      change();
      if (was) begin();
      show();
    }

    const sounding = () => (state.unknown && test ? test.x : state.now);

    function pick(k, unknown) {
      state.unknown = Boolean(unknown);
      if (!unknown) state.now = k;
      if (state.playing) deck.pick(sounding(), context.currentTime);
      if (test && state.playing && unknown) test.heard = true;
      show();
    }

    const seek = (s) => again(() => { state.place = Math.min(Math.max(s, 0), length); });

    function loop(from, to) {
      again(() => {
        const a = Math.max(0, Math.min(from, to));
        const b = Math.min(length, Math.max(from, to));
        // Whole samples, and never so short that it is a tone of its own.
        const on = (s) => Math.round(s * rate) / rate;
        state.loop = b - a >= 0.05 ? [on(a), on(b)] : null;
      });
    }

    function level() {
      const db = Number(is("level").value);
      is("level-said").textContent = db + " dB";
      is("level").setAttribute("aria-valuetext", db + " dB");
      if (deck) deck.level.gain.value = Math.pow(10, db / 20);
    }

    // ---- what is seen ----

    function show() {
      const at = place();
      root.style.setProperty("--place", at / length);
      root.style.setProperty("--from", (state.loop ? state.loop[0] : 0) / length);
      root.style.setProperty("--to", (state.loop ? state.loop[1] : 0) / length);
      if (document.activeElement !== is("place")) is("place").value = at;
      is("place-said").textContent = seconds(at);
      is("place").setAttribute("aria-valuetext", seconds(at));
      is("play").textContent = state.playing ? "Pause" : "Play";
      const shown = state.unknown ? -1 : state.now;
      rows.forEach((row, k) => {
        row.classList.toggle("now", k === shown);
        row.querySelector("button").setAttribute("aria-pressed", String(k === shown));
      });
      all(".curve").forEach((curve) => curve.classList.toggle("now", Number(curve.dataset.sound) === shown));
      if (document.activeElement !== is("from")) is("from").value = state.loop ? state.loop[0].toFixed(2) : "";
      if (document.activeElement !== is("to")) is("to").value = state.loop ? state.loop[1].toFixed(2) : "";
      is("unloop").disabled = !state.loop;
      if (root.querySelector(".blind")) showTest();
    }

    function tick() {
      if (!state.playing) return;
      show();
      requestAnimationFrame(tick);
    }

    // The spectra against that of a chosen sound.
    function compare() {
      const against = Number(is("against").value);
      const curves = all(".difference .curve");
      const levels = curves.map((curve) => curve.dataset.levels.split(" ").map(Number));
      curves.forEach((curve, k) => {
        const { x, y, scale } = is("difference").dataset;
        const xs = x.split(" ").map(Number);
        const points = levels[k].map((l, b) => `${xs[b]},${(Number(y) - (l - levels[against][b]) * Number(scale)).toFixed(1)}`);
        curve.setAttribute("points", points.join(" "));
      });
      is("difference-said").textContent = `Difference to ${LETTERS[against]}`;
    }

    // ---- the blind test's side of the page ----

    const option = (k) => LETTERS[k];

    function startTest() {
      const first = Number(is("first").value);
      const second = Number(is("second").value);
      const trials = Math.floor(Number(is("trials").value));
      if (first === second) return sayTest("Choose two different sounds.");
      if (!(trials >= 16 && trials <= 200)) return sayTest("16 trials at least, 200 at most: fewer prove little.");
      test = { first, second, trials, right: 0, done: [], x: 0, heard: false };
      is("result").value = "";
      next();
      sayTest("");
      pick(first, false);
    }

    function next() {
      test.x = coin() ? test.first : test.second;
      test.heard = false;
    }

    function answer(k) {
      if (!test || over() || !test.heard) return;
      test.done.push({ x: test.x, said: k });
      test.right += Number(test.x === k);
      if (!over()) next();
      else is("result").value = result();
      // What plays must not give away the next X: back to a known sound.
      pick(test.first, false);
      // A button that can no longer be pressed would keep the keys to itself.
      (over() ? is("result") : is("hear-x")).focus();
    }

    const over = () => test.done.length === test.trials;

    function standing() {
      const done = test.done.length;
      if (done === 0) return `Trial 1 of ${test.trials}.`;
      const p = percent(byGuessing(test.right, done));
      const where = over() ? `All ${test.trials} trials done.` : `Trial ${done + 1} of ${test.trials}.`;
      return `${where} ${test.right} of ${done} right; by guessing, that many or more: ${p}.`;
    }

    function result() {
      const p = byGuessing(test.right, test.trials);
      const lines = [
        "Blind test: " + document.title,
        `${option(test.first)}: ${names[test.first]}`,
        `${option(test.second)}: ${names[test.second]}`,
        `${test.right} of ${test.trials} right`,
        `Probability of ${test.right} or more right by guessing: ${percent(p)}`,
        p < 0.05
          ? "A guesser would do this well less than once in 20 tests: the two sound different to you."
          : "A guesser does this well more often than once in 20 tests: no difference is shown.",
        "Sounds were at equal loudness (ITU-R BS.1770).",
      ];
      test.done.forEach((d, n) => {
        const verdict = d.x === d.said ? "right" : "wrong";
        lines.push(`${n + 1}. X was ${option(d.x)}, answer ${option(d.said)}: ${verdict}`);
      });
      return lines.join("\n");
    }

    const sayTest = (text) => { is("test-said").textContent = text; };

    function showTest() {
      const running = Boolean(test) && !over();
      is("running").hidden = !test;
      is("start-test").textContent = running ? "Start again" : "Start the test";
      is("done").hidden = !(test && over());
      if (!test) return;
      const set = (name, text, pressed) => {
        is(name).textContent = text;
        is(name).setAttribute("aria-pressed", String(pressed));
      };
      set("hear-first", "Play " + option(test.first), state.playing && !state.unknown && state.now === test.first);
      set("hear-second", "Play " + option(test.second), state.playing && !state.unknown && state.now === test.second);
      set("hear-x", "Play X", state.playing && state.unknown);
      is("say-first").textContent = "X is " + option(test.first);
      is("say-second").textContent = "X is " + option(test.second);
      is("hear-x").disabled = !running;
      is("say-first").disabled = is("say-second").disabled = !(running && test.heard);
      if (is("score").textContent !== standing()) is("score").textContent = standing();
    }

    async function hear(k, unknown) {
      if (unknown && (!test || over())) return;
      pick(k, unknown);
      await play();
      if (unknown && test && state.playing) {
        test.heard = true;
        show();
      }
    }

    async function copy() {
      const box = is("result");
      try {
        await navigator.clipboard.writeText(box.value);
      } catch {
        // Pages opened from a file may not have a clipboard of their own.
        box.focus();
        box.select();
        document.execCommand("copy");
      }
      is("copy").textContent = "Copied";
      setTimeout(() => { is("copy").textContent = "Copy the result"; }, 2000);
    }

    // ---- hands on it ----

    const click = (name, act) => is(name)?.addEventListener("click", act);
    click("play", () => (state.playing ? pause() : play()));
    click("back", () => seek(state.loop ? state.loop[0] : 0));
    click("unloop", () => loop(0, 0));
    is("place").addEventListener("input", () => seek(Number(is("place").value)));
    is("level").addEventListener("input", level);
    for (const end of ["from", "to"]) {
      is(end).addEventListener("change", () => {
        const number = (name, other) => (is(name).value === "" ? other : Number(is(name).value));
        if (is("from").value === "" && is("to").value === "") return loop(0, 0);
        loop(number("from", 0), number("to", length));
      });
    }
    rows.forEach((row, k) => {
      row.querySelector("button").addEventListener("click", () => pick(k, false));
      const wave = row.querySelector(".wave");
      let held = null;
      const at = (event) => {
        const box = wave.getBoundingClientRect();
        return Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1) * length;
      };
      wave.addEventListener("pointerdown", (event) => {
        if (event.button !== 0) return;
        held = { x: event.clientX, s: at(event), dragged: false };
        wave.setPointerCapture(event.pointerId);
      });
      wave.addEventListener("pointermove", (event) => {
        if (!held) return;
        held.dragged ||= Math.abs(event.clientX - held.x) > 4;
        if (!held.dragged) return;
        const ends = [held.s, at(event)].sort((a, b) => a - b);
        root.style.setProperty("--from", ends[0] / length);
        root.style.setProperty("--to", ends[1] / length);
      });
      wave.addEventListener("pointerup", (event) => {
        if (!held) return;
        if (held.dragged) loop(held.s, at(event));
        else seek(held.s);
        held = null;
      });
      wave.addEventListener("pointercancel", () => { held = null; show(); });
    });
    click("start-test", startTest);
    click("hear-first", () => test && hear(test.first, false));
    click("hear-second", () => test && hear(test.second, false));
    click("hear-x", () => hear(0, true));
    click("say-first", () => test && answer(test.first));
    click("say-second", () => test && answer(test.second));
    click("copy", copy);
    is("against")?.addEventListener("change", compare);

    // Which keys do what; false where a key does nothing.
    function key(k) {
      if (k === " ") return state.playing ? pause() : play();
      if (k === "ArrowLeft") return seek(place() - 1);
      if (k === "ArrowRight") return seek(place() + 1);
      if (k === "Home") return seek(0);
      if (k === "[") return loop(place(), state.loop && state.loop[1] > place() ? state.loop[1] : length);
      if (k === "]") return loop(state.loop && state.loop[0] < place() ? state.loop[0] : 0, place());
      if (k === "Escape") return loop(0, 0);
      if (k === "+" || k === "-") {
        is("level").value = Number(is("level").value) + (k === "+" ? 1 : -1);
        return level();
      }
      const letter = k.toUpperCase();
      if (test && !over()) {
        if (letter === "X") return void hear(0, true);
        if (k === "1") return answer(test.first);
        if (k === "2") return answer(test.second);
      }
      const n = LETTERS.indexOf(letter);
      return k.length === 1 && n >= 0 && n < rows.length ? pick(n, false) : false;
    }

    function typed(event) {
      if (!is("keys").checked || event.ctrlKey || event.altKey || event.metaKey) return;
      const on = event.target;
      const takes = on.closest("textarea, select, summary, input[type=number]");
      const slides = on.matches("input[type=range]") && /^(Arrow|Home|End|Page)/.test(event.key);
      const presses = event.key === " " && on.closest("button, input[type=checkbox], a") && !on.closest(".sounds button");
      if (takes || slides || presses) return;
      // A button of a sound keeps the space bar's own meaning off: there it plays and pauses.
      if (key(event.key) !== false) event.preventDefault();
    }
    document.addEventListener("keydown", typed);
    document.addEventListener("keyup", (event) => {
      if (event.key === " " && is("keys").checked && event.target.closest?.(".sounds button")) event.preventDefault();
    });

    // ---- from a page to be read to one to be played ----

    root.classList.add("live");
    all("audio").forEach((audio) => { audio.hidden = true; });
    all(".control").forEach((part) => { part.hidden = false; });
    show();
    level();
    if (is("against")) compare();
    return { Deck, decoded: () => decoded(root), byGuessing, state, place, test: () => test, length };
  }

  // For whoever wants to look inside: the tests do.
  window.players = [...document.querySelectorAll(".player")].map(player);
})();
