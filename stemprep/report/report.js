"use strict";
// The page is whole without this: it zooms, plays, filters, sorts and moves by keys.
(() => {
  const all = (what, from = document) => [...from.querySelectorAll(what)];
  const one = (what, from = document) => from.querySelector(what);
  const make = (tag, words, of) => { const e = document.createElement(tag); if (words) e.textContent = words; if (of) e.append(...of); return e; };
  const quiet = (e) => e && /^(INPUT|SELECT|TEXTAREA|AUDIO)$/.test(e.tagName);

  // Playing: one excerpt at a time, with a button of our own in place of the browser's.
  for (const sound of all("audio")) {
    const button = make("button", "\u25b6 Play");
    button.className = "play-button";
    button.type = "button";
    button.setAttribute("aria-label", "Play: " + sound.getAttribute("aria-label"));
    sound.hidden = true;
    sound.removeAttribute("controls");
    sound.before(button);
    const show = () => { button.textContent = sound.paused ? "\u25b6 Play" : "\u25a0 Stop"; };
    button.addEventListener("click", () => {
      const was = !sound.paused;
      for (const other of all("audio")) other.pause();
      if (!was) { sound.currentTime = 0; sound.play().catch(() => { button.disabled = true; button.textContent = "cannot be played here"; }); }
    });
    for (const name of ["play", "pause", "ended"]) sound.addEventListener(name, show);
  }

  // Waveforms: bytes stand for sign * (byte / 127)^2, low and high of each column.
  const clock = (s, places) => {
    const minutes = Math.floor(s / 60);
    const rest = (s - 60 * minutes).toFixed(places);
    return minutes + ":" + (rest < 10 ? "0" : "") + rest;
  };
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const MIN_VIEW_S = 0.002;

  function decode(text) {
    const bytes = Int8Array.from(atob(text), (c) => c.charCodeAt(0));
    return Float32Array.from(bytes, (b) => Math.sign(b) * (b / 127) ** 2);
  }

  function zoomable(figure) {
    const rate = Number(figure.dataset.rate), frames = Number(figure.dataset.frames);
    const lanes = all(".lane", figure).map((lane) => {
      const canvas = make("canvas");
      canvas.setAttribute("role", "img");
      canvas.setAttribute("aria-label", one("svg", lane).getAttribute("aria-label"));
      one("svg", lane).replaceWith(canvas);
      return { canvas, values: decode(lane.dataset.levels) };
    });
    const panel = figure.closest(".panel");
    const places = all("[data-places]", panel).flatMap((item) => item.dataset.places.split(" ").filter(Boolean)
      .map((span) => span.split("-").map(Number))).sort((a, b) => a[0] - b[0]);
    const axis = one(".axis", figure);
    let from = 0, to = frames, gain = 1, at = -1;

    function draw() {
      const ink = colour("--wave"), line = colour("--line"), spot = colour("--spot"), edge = colour("--fail");
      for (const { canvas, values } of lanes) {
        const width = Math.max(1, Math.round(canvas.clientWidth * devicePixelRatio));
        const height = Math.max(1, Math.round(canvas.clientHeight * devicePixelRatio));
        canvas.width = width;
        canvas.height = height;
        const pen = canvas.getContext("2d"), columns = values.length / 2, middle = height / 2;
        pen.fillStyle = line;
        pen.fillRect(0, middle, width, 1);
        for (const [begin, end] of places) {
          const x = (begin - from) / (to - from) * width, w = Math.max(2 * devicePixelRatio, (end - begin) / (to - from) * width);
          if (x + w < 0 || x > width) continue;
          pen.fillStyle = spot;
          pen.fillRect(x - 2, 0, w + 4, height);
          pen.fillStyle = edge;
          pen.fillRect(x, 0, devicePixelRatio, height);
        }
        pen.fillStyle = ink;
        for (let x = 0; x < width; x++) {
          const first = Math.floor((from + (to - from) * x / width) / frames * columns);
          const last = Math.max(first + 1, Math.floor((from + (to - from) * (x + 1) / width) / frames * columns));
          let low = 1, high = -1;
          for (let c = first; c < last && c < columns; c++) {
            low = Math.min(low, values[2 * c]);
            high = Math.max(high, values[2 * c + 1]);
          }
          if (high < low) continue;
          const top = middle - Math.min(1, high * gain) * middle, bottom = middle - Math.max(-1, low * gain) * middle;
          pen.fillRect(x, top, 1, Math.max(1, bottom - top));
        }
      }
      ticks();
    }

    function ticks() {
      const seconds = (to - from) / rate, wanted = axis.clientWidth < 500 ? 4 : 9;
      const steps = [0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800];
      const step = steps.find((s) => seconds / s <= wanted) || seconds;
      const places_shown = Math.max(0, Math.ceil(-Math.log10(step) - 1e-9));
      axis.replaceChildren();
      for (let t = Math.ceil(from / rate / step) * step; t < to / rate; t += step) {
        const share = (t - from / rate) / seconds;
        if (share > 0.96) break;
        const label = document.createElementNS("http://www.w3.org/2000/svg", "text");
        label.setAttribute("x", (100 * share).toFixed(2) + "%");
        label.setAttribute("y", "13");
        label.textContent = clock(t, places_shown);
        axis.append(label);
      }
    }

    function view(begin, long) {
      const span = Math.min(Math.max(long, MIN_VIEW_S * rate), frames);
      from = Math.min(Math.max(begin, 0), frames - span);
      to = from + span;
      draw();
    }
    const zoom = (factor, share = 0.5) => view(from + (to - from) * share * (1 - factor), (to - from) * factor);
    const go = (step) => {
      if (!places.length) return;
      at = (at + step + places.length) % places.length;
      const [begin, end] = places[at], long = Math.max(end - begin, rate) * 3;
      view((begin + end) / 2 - long / 2, long);
    };
    const button = (words, label, act) => {
      const e = make("button", words);
      e.type = "button";
      e.setAttribute("aria-label", label);
      e.addEventListener("click", act);
      return e;
    };
    const tools = one(".tools", figure);
    tools.append(
      button("+", "Zoom in", () => zoom(0.5)), button("\u2212", "Zoom out", () => zoom(2)),
      button("\u25c2", "Earlier", () => view(from - (to - from) / 2, to - from)), button("\u25b8", "Later", () => view(from + (to - from) / 2, to - from)),
      button("whole", "Show the whole file", () => view(0, frames)),
      button("taller", "Draw quiet sound larger", () => { gain = gain >= 64 ? 1 : gain * 4; draw(); }));
    if (places.length) tools.append(button("\u2190 place", "Place before", () => go(at < 0 ? 0 : -1)), button("place \u2192", "Next place", () => go(1)));
    tools.hidden = false;
    for (const { canvas } of lanes) {
      canvas.addEventListener("wheel", (event) => {
        if (!event.ctrlKey && !event.shiftKey && Math.abs(event.deltaX) <= Math.abs(event.deltaY) && to - from >= frames && event.deltaY > 0) return;
        event.preventDefault();
        const share = event.offsetX / canvas.clientWidth;
        if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) view(from + event.deltaX / canvas.clientWidth * (to - from), to - from);
        else zoom(event.deltaY > 0 ? 1.25 : 0.8, share);
      }, { passive: false });
      let held = null;
      canvas.addEventListener("pointerdown", (event) => { held = { x: event.clientX, from }; canvas.setPointerCapture(event.pointerId); });
      canvas.addEventListener("pointermove", (event) => { if (held) view(held.from - (event.clientX - held.x) / canvas.clientWidth * (to - from), to - from); });
      for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, () => { held = null; });
      canvas.addEventListener("dblclick", () => zoom(0.25));
    }
    figure.view = () => ({ from, to, rate });
    addEventListener("resize", draw);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
    draw();
  }

  const files = all("details.file");
  for (const file of files) {
    file.addEventListener("toggle", () => {
      const figure = one(".waveform", file);
      if (file.open && figure && !figure.dataset.drawn) { figure.dataset.drawn = "yes"; zoomable(figure); }
    });
  }
  function open() {
    const target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    const file = target && target.closest("details.file");
    if (!file) return;
    file.hidden = false;
    file.open = true;
    file.scrollIntoView({ block: "start" });
    one("summary", file).focus({ preventScroll: true });
  }
  addEventListener("hashchange", open);
  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest('a[href^="#"]');
    if (link && link.getAttribute("href") === location.hash) open();
  });
  open();

  // Finding, filtering, sorting.
  const tools = one("#tools"), find = one("#find"), show = one("#show"), order = one("#order");
  if (tools) {
    tools.hidden = files.length < 2;
    files.forEach((file, place) => { file.dataset.place = place; });
    const wanted = (file) => {
      const text = find.value.trim().toLowerCase(), value = show.value;
      const words = (one(".name", file).textContent + " " + file.dataset.checks).toLowerCase();
      if (text && !words.includes(text)) return false;
      if (value.startsWith("check:")) return file.dataset.checks.split(" ").includes(value.slice(6));
      if (value.startsWith("who:")) return file.dataset.who.split(" ").includes(value.slice(4));
      return !value || value.split(" ").includes(file.dataset.worst);
    };
    const apply = () => {
      for (const file of files) file.hidden = !wanted(file);
      for (const song of all(".song")) {
        const mine = all("details.file", song);
        const by = { set: (a, b) => a.dataset.place - b.dataset.place, worst: (a, b) => a.dataset.rank - b.dataset.rank || a.dataset.place - b.dataset.place,
          name: (a, b) => one(".name", a).textContent.localeCompare(one(".name", b).textContent) }[order.value];
        song.append(...mine.sort(by));
        song.hidden = mine.every((file) => file.hidden);
      }
      const count = files.filter((file) => !file.hidden).length;
      one("#count").textContent = count === files.length ? "" : count + " of " + files.length + " files";
    };
    for (const input of [find, show, order]) input.addEventListener("input", apply);
  }

  // Keys: n and b through cards, then files that hold something; p plays; / finds.
  const stops = () => [...all(".card"), ...all("details.file:not([hidden])").filter((file) => /fail|warn/.test(file.dataset.worst)).map((file) => one("summary", file))];
  document.addEventListener("keydown", (event) => {
    if (quiet(event.target) || event.ctrlKey || event.metaKey || event.altKey) return;
    const here = stops(), at = here.findIndex((e) => e === document.activeElement || e.contains(document.activeElement));
    if (event.key === "n" || event.key === "b") {
      const next = here[event.key === "n" ? Math.min(at + 1, here.length - 1) : Math.max(at - 1, 0)];
      if (next) { next.focus(); next.scrollIntoView({ block: "nearest" }); event.preventDefault(); }
    } else if (event.key === "p") {
      const card = here[at] || one(".card"), button = card && one(".play-button", card);
      if (button) { button.click(); event.preventDefault(); }
    } else if (event.key === "/" && find) {
      find.focus();
      event.preventDefault();
    }
  });
})();
