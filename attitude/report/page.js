"use strict";
(() => {
  // Folded parts belong to the print: opened for it, and folded again as they were.
  let folded = [];
  addEventListener("beforeprint", () => {
    folded = [...document.querySelectorAll("details:not([open])")];
    for (const one of folded) one.open = true;
  });
  addEventListener("afterprint", () => {
    for (const one of folded) one.open = false;
  });

  const player = document.getElementById("player");
  if (!player) return;
  const find = (id) => document.getElementById(id);
  const data = JSON.parse(find("player-data").textContent);
  const video = find("review"), line = find("timeline"), head = find("head"), now = find("now");
  player.classList.add("scripted");
  // The browser's own controls would lie over what is written at the foot of the picture.
  video.controls = false;

  const segmentAt = (s) => data.segments.findLast((one) => one.from_s <= s + 1e-6) ?? data.segments[0];
  const rounded = (s) => Math.round(s * 100) / 100;
  // Cut, not rounded, as the time in the picture is.
  const shown = (s) => `${(Math.floor(10 * s + 1e-6) / 10).toFixed(1)} s`;

  function leanAt(segment, clipS) {
    const times = segment.t_s;
    let after = times.findIndex((t) => t >= clipS);
    if (after < 0) after = times.length;
    const near = [after - 1, after].filter((k) => k >= 0 && k < times.length)
      .sort((a, b) => Math.abs(times[a] - clipS) - Math.abs(times[b] - clipS))[0];
    return near === undefined || Math.abs(times[near] - clipS) > 0.75 * segment.step_s
      ? "no lean counted (not measured, turned on purpose, or left out)" : segment.words[near];
  }

  // The drawings that have time along their axis carry a playhead for every clip they show.
  const heads = [...document.querySelectorAll("[data-panels]")].flatMap((drawing) =>
    JSON.parse(drawing.dataset.panels).map((panel) => {
      const bar = document.createElement("div");
      bar.className = "head";
      bar.style.top = `${100 * panel.top}%`;
      bar.style.height = `${100 * panel.height}%`;
      bar.hidden = true;
      drawing.append(bar);
      return { bar, panel, drawing };
    }));
  for (const drawing of new Set(heads.map((one) => one.drawing))) {
    drawing.classList.add("seekable");
    drawing.addEventListener("click", (event) => {
      const box = drawing.getBoundingClientRect();
      const x = (event.clientX - box.left) / box.width, y = (event.clientY - box.top) / box.height;
      for (const { panel } of heads.filter((one) => one.drawing === drawing)) {
        const across = (x - panel.left) / panel.width, down = (y - panel.top) / panel.height;
        const segment = data.segments.find((one) => one.clip === panel.clip);
        if (segment && across >= 0 && across <= 1 && down >= 0 && down <= 1)
          seek(segment.from_s + panel.from_s + across * (panel.to_s - panel.from_s));
      }
    });
  }

  // A video that is still loading reports 0: what was asked for holds until it is there.
  let wanted = null;
  const place = () => wanted ?? video.currentTime;

  function seek(s) {
    wanted = Math.min(Math.max(s, 0), data.lasts_s - 0.01);
    if (video.readyState > 0) video.currentTime = wanted;
    show();
  }

  function show() {
    const s = place(), segment = segmentAt(s), clipS = Math.max(0, s - segment.from_s);
    const words = `${segment.name}, ${shown(clipS)}: ${leanAt(segment, clipS)}`;
    head.style.left = `${100 * s / data.lasts_s}%`;
    now.textContent = words;
    line.setAttribute("aria-valuenow", s.toFixed(1));
    line.setAttribute("aria-valuetext", words);
    for (const { bar, panel } of heads) {
      const share = (clipS - panel.from_s) / (panel.to_s - panel.from_s);
      bar.hidden = panel.clip !== segment.clip || share < 0 || share > 1;
      bar.style.left = `${100 * (panel.left + share * panel.width)}%`;
    }
    if (start !== null) draw();
  }

  const flaggedBefore = (s) => data.flagged.findLast(([from]) => from < s - 0.3);
  const flaggedAfter = (s) => data.flagged.find(([from]) => from > s + 0.05);
  const flaggedOver = (s) => data.flagged.find(([from, to]) => from <= s + 0.05 && s <= to);

  // What to leave out: of each take what the sheet leaves out already, to the digit, and what is marked here,
  // both in the take's own time, in which the sheet counts.
  let start = null;
  const marks = data.takes.map((take) => take.excluded.map((pair) => ({ from: pair[0], to: pair[1], told: true })));
  const number = (s) => (Number.isInteger(s) ? s.toFixed(1) : String(s));
  const lineOf = (list) =>
    `exclude_s = [${list.map((one) => `[${number(one.from)}, ${number(one.to)}]`).join(", ")}]`;
  const before = marks.map(lineOf);
  // Lines that were copied, or that the sheet has already: anything else would be lost with the page.
  const kept = new Set(before);
  addEventListener("beforeunload", (event) => {
    if (!marks.every((list) => kept.has(lineOf(list)))) event.preventDefault();
  });

  /** Stretches of review time that a stretch of a take covers, one for each of its files. */
  function inReview(take, { from, to }) {
    return data.segments.filter((one) => one.take === take)
      .map((one) => [
        one.from_s + Math.max(from - one.take_s, 0), one.from_s + Math.min(to - one.take_s, one.lasts_s),
      ])
      .filter(([a, b]) => b > a);
  }

  /** Mark a stretch of review time in every take that it touches; whether there was anything to mark. */
  function leaveOut(from, to) {
    let any = false;
    for (const one of data.segments) {
      const own = [Math.max(from - one.from_s, 0), Math.min(to - one.from_s, one.lasts_s)];
      if (own[1] - own[0] < 0.05) continue;
      const mark = { from: rounded(own[0] + one.take_s), to: rounded(own[1] + one.take_s), told: false };
      // Marks of this page that touch are one; what the sheet says stays as it is written there.
      const list = marks[one.take];
      const touching = (old) => !old.told && old.from <= mark.to + 0.01 && mark.from <= old.to + 0.01;
      for (const other of list.filter(touching)) {
        mark.from = Math.min(mark.from, other.from);
        mark.to = Math.max(mark.to, other.to);
        list.splice(list.indexOf(other), 1);
      }
      list.push(mark);
      list.sort((a, b) => a.from - b.from);
      any = true;
    }
    return any;
  }

  function draw() {
    const all = marks.flatMap((list, take) => list.flatMap((one) => inReview(take, one)));
    if (start !== null) all.push([Math.min(start, place()), Math.max(start, place())]);
    find("marks").replaceChildren(...all.map(([from, to]) => {
      const one = document.createElement("div");
      one.style.left = `${100 * from / data.lasts_s}%`;
      one.style.width = `${100 * (to - from) / data.lasts_s}%`;
      return one;
    }));
  }

  function tell() {
    draw();
    find("mark").textContent = start === null ? "Leave out from here" : "Leave out up to here";
    find("mark").classList.toggle("on", start !== null);
    find("left-out").replaceChildren(...data.takes.flatMap(rowOf));
  }

  function element(name, text, ...children) {
    const one = document.createElement(name);
    one.textContent = text;
    one.append(...children);
    return one;
  }

  function button(text, label, act) {
    const one = element("button", text);
    one.type = "button";
    one.setAttribute("aria-label", label);
    one.addEventListener("click", act);
    return one;
  }

  function rowOf(take, k) {
    const list = marks[k], text = lineOf(list);
    if (!list.length && text === before[k]) return [];
    const row = document.createElement("li");
    const instead = take.excluded.length ? "instead of the line that is there" : "a line of its own";
    const code = element("code", text);
    row.append(
      element("p", "", "In the [[clip]] of ", element("bdi", take.name), `, ${instead}:`),
      element("p", "", code, " ", button("Copy", `Copy the line for ${take.name}`, () => copied(text, code))));
    const drop = list.map((one) => {
      const words = `Count ${shown(one.from)} to ${shown(one.to)} again`;
      return button(words, `${words}, ${take.name}`, () => {
        list.splice(list.indexOf(one), 1);
        tell();
        find("said").textContent = `${take.name}: ${shown(one.from)} to ${shown(one.to)} counts again.`;
        find("mark").focus();
      });
    });
    if (drop.length) row.append(element("p", "", ...drop));
    return [row];
  }

  async function copied(text, code) {
    let done = false;
    try {
      await navigator.clipboard.writeText(text);
      done = true;
    } catch {
      // Refused for pages opened from disk by some browsers: mark the text and copy what is marked.
      getSelection().selectAllChildren(code);
      done = document.execCommand("copy");
    }
    kept.add(text);
    find("said").textContent = done ? `Copied: ${text}` : "The line is marked: copy it with the keyboard.";
  }

  find("mark").addEventListener("click", () => {
    if (start === null) {
      start = place();
      find("said").textContent = "Go to the end of the stretch, then press again.";
    } else {
      const [from, to] = [Math.min(start, place()), Math.max(start, place())];
      start = null;
      find("said").textContent = leaveOut(from, to)
        ? `Left out: ${shown(to - from)}.` : "Nothing marked: the end is where the start is.";
    }
    tell();
  });
  find("take").addEventListener("click", () => {
    const one = flaggedOver(place());
    find("said").textContent = one && leaveOut(...one)
      ? `Left out: ${shown(one[1] - one[0])}.` : "Nothing marked: no flagged stretch is shown.";
    tell();
  });

  function jump(one, none) {
    if (one) seek(one[0]);
    find("said").textContent = one ? find("now").textContent : none;
  }
  find("back").addEventListener("click", () => jump(flaggedBefore(place()), "No flagged stretch before this."));
  find("forth").addEventListener("click", () => jump(flaggedAfter(place()), "No flagged stretch after this."));
  for (const one of document.querySelectorAll("[data-seek]")) {
    one.addEventListener("click", () => {
      seek(Number(one.dataset.seek));
      player.scrollIntoView({ block: "start" });
      line.focus({ preventScroll: true });
    });
  }

  const along = (event) => {
    const box = line.getBoundingClientRect();
    return data.lasts_s * Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1);
  };
  line.addEventListener("pointerdown", (event) => {
    line.setPointerCapture(event.pointerId);
    seek(along(event));
  });
  line.addEventListener("pointermove", (event) => {
    if (line.hasPointerCapture(event.pointerId)) seek(along(event));
  });
  const steps = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10 };
  line.addEventListener("keydown", (event) => {
    const s = place();
    if (event.key in steps) seek(s + steps[event.key] * (event.shiftKey ? 0.1 : 1));
    else if (event.key === "Home") seek(0);
    else if (event.key === "End") seek(data.lasts_s);
    else if (event.key === " " || event.key === "Enter") toggle();
    else return;
    event.preventDefault();
  });

  const missing = () => {
    find("no-review").hidden = false;
    find("play").disabled = true;
  };
  const toggle = () => void (video.paused ? video.play().catch(missing) : video.pause());
  find("play").addEventListener("click", toggle);
  video.addEventListener("click", toggle);
  for (const name of ["play", "pause", "ended"])
    video.addEventListener(name, () => { find("play").textContent = video.paused ? "Play" : "Pause"; });

  video.addEventListener("loadedmetadata", () => {
    if (wanted !== null) video.currentTime = wanted;
  });
  video.addEventListener("seeked", () => {
    if (wanted !== null && Math.abs(video.currentTime - wanted) < 0.2) wanted = null;
    show();
  });
  video.addEventListener("timeupdate", show);
  video.addEventListener("playing", () => { wanted = null; });
  video.addEventListener("error", missing);
  if (video.error) missing();

  tell();
  show();
})();
