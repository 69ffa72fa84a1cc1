"use strict";
(() => {
  const GLYPH_EVERY_PX = 170;
  const RAW_SAMPLES_PER_PX = 4; // below this many samples a pixel the samples themselves are drawn
  const FEWEST_SAMPLES = 8; // the narrowest view
  const PRINT_WIDTH_PX = 690; // fits between the margins of A4 and of letter paper
  const WHOLE_STEPS = [1, 2, 5].flatMap((first) => [0, 1, 2, 3, 4, 5, 6, 7, 8].map((power) => first * 10 ** power)).sort((a, b) => a - b);
  const MARKER_SIGNS = { in: "▲", out: "▽", event: "◆" };
  const MARKER_WORDS = { in: "clutch in", out: "clutch out", event: "event" };
  const INK = "#23262b", FAINT = "#dcd7c9", FONT = "11px system-ui, sans-serif";

  const find = (selector, within = document) => within.querySelector(selector);
  const findAll = (selector, within = document) => [...within.querySelectorAll(selector)];
  const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

  const source = JSON.parse(find("#report-data").textContent);
  const { start_s: start, step_s: step, runs, channels, markers } = source;
  const traces = find("#traces");
  const samples = Math.max(...runs.map((run) => run.samples));
  const end = start + (samples - 1) * step;
  const view = { from: start, to: end };
  const runShown = runs.map(() => true);
  const strips = [];
  let cross = null; // time under the crosshair, s
  let chosen = -1; // index of the chosen marker

  // ---- traces: the reverse of the page's encoder -------------------------------------------------------------------

  async function inflate(text) {
    const packed = atob(text);
    const bytes = new Uint8Array(packed.length);
    for (let i = 0; i < packed.length; i++) bytes[i] = packed.charCodeAt(i);
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  async function unpack(trace) {
    const planes = await inflate(trace.codes);
    const count = planes.length / 2;
    const values = new Float64Array(count);
    let code = 0;
    for (let i = 0; i < count; i++) {
      const folded = planes[i] | (planes[count + i] << 8);
      code = (code + (folded & 1 ? -((folded + 1) >> 1) : folded >> 1)) & 0xffff;
      values[i] = code === trace.gap ? NaN : trace.levels ? trace.levels[code] : trace.offset + trace.step * code;
    }
    return values;
  }

  // A named channel is drawn on one rung for each value that occurs, and each run a little beside the others.
  function rungsOf(channel) {
    const seen = new Set();
    for (const run of runs) for (const value of run.values[channel.key] ?? []) if (!Number.isNaN(value)) seen.add(value);
    return [...seen].sort((a, b) => a - b);
  }

  function onRungs(values, rungs, run) {
    const places = new Map(rungs.map((value, place) => [value, place]));
    const shift = ((run - (runs.length - 1) / 2) * 0.5) / runs.length;
    return values.map((value) => (Number.isNaN(value) ? NaN : places.get(value) + shift));
  }

  // ---- drawing -----------------------------------------------------------------------------------------------------

  const indexAt = (time) => Math.round((time - start) / step);

  // What a view needs for drawing: the samples, or the lowest and highest of each pixel in the order they occurred.
  function cut(lines, from, to, width) {
    const first = clamp(Math.floor((from - start) / step) - 1, 0, samples - 1);
    const last = clamp(Math.ceil((to - start) / step) + 1, 0, samples - 1);
    const chunk = Math.floor((last - first + 1) / width);
    const times = [];
    if (chunk < RAW_SAMPLES_PER_PX) {
      for (let i = first; i <= last; i++) times.push(start + i * step);
      const rows = lines.map(({ values }) => {
        const row = new Array(times.length);
        for (let i = first; i <= last; i++) row[i - first] = values[i] === values[i] && values[i] !== undefined ? values[i] : null;
        return row;
      });
      return [times, ...rows];
    }
    const begin = first - (first % chunk); // chunks keep their place when the view is moved
    for (let i = begin; i <= last; i += chunk) times.push(start + i * step, start + (i + chunk / 2) * step);
    const rows = lines.map(({ values }) => {
      const row = [];
      for (let i = begin; i <= last; i += chunk) {
        const stop = Math.min(i + chunk, values.length);
        let low = NaN, high = NaN, lowAt = 0, highAt = 0;
        for (let j = i; j < stop; j++) {
          const value = values[j];
          if (!(value >= low)) { if (value === value) { low = value; lowAt = j; } }
          if (!(value <= high)) { if (value === value) { high = value; highAt = j; } }
        }
        if (low !== low) row.push(null, null);
        else if (lowAt < highAt) row.push(low, high);
        else row.push(high, low);
      }
      return row;
    });
    return [times, ...rows];
  }

  function decimals(span) {
    return span > 0 ? clamp(2 - Math.floor(Math.log10(span)), 0, 4) : 2;
  }

  function labelOf(strip, line, roomy) {
    const letter = runs[line.run].style.letter;
    if (!roomy) return letter;
    return `${letter} ${strip.channels.length > 1 ? channels[line.channel].label : runs[line.run].name}`;
  }

  const isRoomy = () => traces.clientWidth >= 620 || printing;
  let printing = false;
  // CSS pixels left and right of every plot; the same on every strip, so that time lines up down the page.
  let axisRoom = 66, labelRoom = 40;

  function measureRoom() {
    const roomy = isRoomy();
    const words = strips.flatMap((strip) => (strip.rungs ? rungNames(strip) : []));
    axisRoom = roomy ? clamp(Math.ceil(Math.max(0, ...words.map((word) => ruler.measureText(word).width))) + 14, 66, 120) : 60;
    const widest = Math.max(...strips.flatMap((strip) => strip.lines.map((line) => ruler.measureText(labelOf(strip, line, roomy)).width)));
    labelRoom = clamp(Math.ceil(widest) + 14, 24, 150);
  }

  function shortened(context, text, room) {
    if (context.measureText(text).width <= room) return text;
    let kept = text;
    while (kept.length > 1 && context.measureText(`${kept}…`).width > room) kept = kept.slice(0, -1);
    return `${kept}…`;
  }

  function valueAt(line, time) {
    const value = line.values[indexAt(time)];
    return value === undefined || Number.isNaN(value) ? null : value;
  }

  const ruler = document.createElement("canvas").getContext("2d");
  ruler.font = FONT;

  const lineShown = (strip, line) => runShown[line.run] && strip.shown.has(line.channel);

  // Markers under the lines: a tick at the upper edge for each, and a thin upright where they are few enough to be read.
  function drawMarkers(u) {
    const { ctx, bbox } = u, ratio = uPlot.pxRatio;
    const seen = markers.filter((marker) => runShown[marker.run] && marker.time_s >= view.from && marker.time_s <= view.to);
    const uprights = seen.length <= 60;
    ctx.save();
    for (const marker of seen) {
      const x = Math.round(u.valToPos(marker.time_s, "x", true)) + 0.5;
      ctx.strokeStyle = ctx.fillStyle = runs[marker.run].style.ink;
      if (uprights) {
        ctx.globalAlpha = 0.35;
        ctx.lineWidth = ratio;
        ctx.setLineDash(marker.kind === "in" ? [] : [2 * ratio, 3 * ratio]);
        ctx.beginPath();
        ctx.moveTo(x, bbox.top);
        ctx.lineTo(x, bbox.top + bbox.height);
        ctx.stroke();
      }
      ctx.globalAlpha = 1;
      ctx.setLineDash([]);
      ctx.fillRect(x - ratio, bbox.top - 5 * ratio, 2 * ratio, 5 * ratio);
    }
    ctx.restore();
  }

  function drawGlyph(ctx, style, order, x, y, ratio) {
    ctx.save();
    ctx.translate(x, y);
    ctx.scale(ratio, ratio);
    const shape = new Path2D(style.glyph);
    ctx.setLineDash([]);
    ctx.lineWidth = 1.4;
    ctx.strokeStyle = style.ink;
    ctx.fillStyle = order === 0 ? style.ink : "#fffefb"; // a strip's first quantity is filled, the others are hollow
    ctx.fill(shape);
    ctx.stroke(shape);
    ctx.restore();
  }

  function drawGlyphsAndLabels(u, strip) {
    const { ctx, bbox } = u, ratio = uPlot.pxRatio;
    const every = GLYPH_EVERY_PX * ratio;
    const labels = [];
    ctx.save();
    for (const line of strip.lines) {
      if (!lineShown(strip, line)) continue;
      const style = runs[line.run].style;
      const order = strip.channels.indexOf(line.channel);
      const phase = ((line.run + 0.5) / runs.length + order * 0.21) % 1;
      for (let x = bbox.left + phase * every; x < bbox.left + bbox.width - 6 * ratio; x += every) {
        const value = valueAt(line, u.posToVal(x, "x", true));
        if (value !== null) drawGlyph(ctx, style, order, x, u.valToPos(value, "y", true), ratio);
      }
      const shownEnd = Math.min(view.to, start + (line.values.length - 1) * step);
      let value = null;
      for (let i = indexAt(shownEnd); i >= 0 && start + i * step >= view.from && value === null; i--) value = valueAt(line, start + i * step);
      if (value !== null) labels.push({ y: u.valToPos(value, "y", true), line });
    }
    // Labels keep a line's height apart: pushed down first, then back up where they leave the strip.
    const gap = 12 * ratio, low = bbox.top + bbox.height - 2 * ratio;
    labels.sort((a, b) => a.y - b.y);
    labels.forEach((label, i) => { label.y = Math.max(label.y, i ? labels[i - 1].y + gap : bbox.top + 4 * ratio); });
    for (let i = labels.length - 1; i >= 0; i--) labels[i].y = Math.min(labels[i].y, i === labels.length - 1 ? low : labels[i + 1].y - gap);
    ctx.font = FONT.replace("11px", `${11 * ratio}px`);
    ctx.textBaseline = "middle";
    ctx.textAlign = "left";
    const roomy = isRoomy();
    for (const { y, line } of labels) {
      ctx.fillStyle = runs[line.run].style.ink;
      ctx.fillText(shortened(ctx, labelOf(strip, line, roomy), (labelRoom - 10) * ratio), bbox.left + bbox.width + 7 * ratio, y);
    }
    ctx.restore();
  }

  function heightOf(strip) {
    if (strip.rungs) return 52 + Math.max(2, strip.rungs.length) * (strip.rungs.length > 6 ? 18 : runs.length > 2 ? 30 : 24);
    return strip.lines.length > 3 ? 230 : 180;
  }

  const rungNames = (strip) => strip.rungs.map((value) => channels[strip.channels[0]].names[String(value)] ?? String(value));

  function optionsFor(strip, width) {
    const names = strip.rungs && rungNames(strip);
    return {
      width,
      height: heightOf(strip),
      padding: [10, () => labelRoom, 0, 0],
      legend: { show: false },
      scales: {
        x: { time: false, range: () => [view.from, view.to] },
        y: {
          range: (_, low, high) => (names ? [-0.6, Math.max(1, names.length) - 0.4] : low === null ? [0, 1] : uPlot.rangeNum(low, high, 0.08, true)),
        },
      },
      axes: [
        { stroke: INK, font: FONT, size: 30, gap: 3, grid: { stroke: FAINT, width: 1 }, ticks: { stroke: FAINT, size: 5 }, values: (_, at) => at.map((v) => `${+v.toFixed(3)} s`), space: 70 },
        {
          stroke: INK, font: FONT, size: () => axisRoom, gap: 4, grid: { stroke: FAINT, width: 1 }, ticks: { stroke: FAINT, size: 4 },
          ...(names ? { splits: () => names.map((_, place) => place), values: () => names.map((name) => shortened(ruler, name, axisRoom - 12)) } : { space: 34, ...(strip.lines.every((line) => channels[line.channel].decimals === 0 && channels[line.channel].kind === "step") ? { incrs: WHOLE_STEPS } : {}) }),
        },
      ],
      series: [
        {},
        ...strip.lines.map((line) => {
          const style = runs[line.run].style, channel = channels[line.channel], order = strip.channels.indexOf(line.channel);
          return {
            stroke: style.ink,
            width: order === 0 ? style.width_px : style.width_px * 0.65,
            dash: style.dash.length ? style.dash : undefined,
            points: { show: false },
            paths: channel.kind === "step" ? uPlot.paths.stepped({ align: 1 }) : uPlot.paths.linear(),
          };
        }),
      ],
      cursor: { y: false, points: { show: false }, drag: { x: true, y: false, setScale: false, dist: 3 }, bind: { dblclick: () => () => showWhole() } },
      hooks: {
        drawAxes: [drawMarkers],
        draw: [(u) => drawGlyphsAndLabels(u, strip)],
        setCursor: [followCursor],
        setSelect: [zoomToSelection],
      },
    };
  }

  const plotWidth = () => (printing ? PRINT_WIDTH_PX : traces.clientWidth);
  const linesOf = (strip) => strip.lines.map((line) => (lineShown(strip, line) ? line : { values: [] }));

  function redraw(strip) {
    const width = Math.max(60, strip.chart.width - axisRoom - labelRoom);
    strip.chart.batch(() => {
      strip.lines.forEach((line, i) => {
        const show = lineShown(strip, line);
        if (strip.chart.series[i + 1].show !== show) strip.chart.setSeries(i + 1, { show }, false);
      });
      strip.chart.setData(cut(linesOf(strip), view.from, view.to, width), false);
      strip.chart.setScale("x", { min: view.from, max: view.to });
    });
    strip.box.dataset.from = strip.chart.scales.x.min;
    strip.box.dataset.to = strip.chart.scales.x.max;
  }

  function redrawAll() {
    strips.forEach(redraw);
    placeMarkers();
    find("#span").textContent = `View ${view.from.toFixed(2)} to ${view.to.toFixed(2)} s`;
    for (const button of findAll("[data-do=whole], [data-do=zoom-out]")) button.setAttribute("aria-disabled", String(view.from <= start && view.to >= end));
    if (cross !== null) showCross(clamp(cross, view.from, view.to));
  }

  function fit() {
    measureRoom();
    traces.style.setProperty("--axis", `${axisRoom}px`);
    traces.style.setProperty("--labels", `${labelRoom}px`);
    for (const strip of strips) {
      strip.chart.batch(() => strip.chart.setSize({ width: plotWidth(), height: heightOf(strip) }));
    }
    redrawAll();
  }

  // ---- the view ----------------------------------------------------------------------------------------------------

  function setView(from, to) {
    const span = clamp(to - from, Math.min(FEWEST_SAMPLES * step, end - start), end - start);
    const middle = (from + to) / 2;
    view.from = clamp(middle - span / 2, start, end - span);
    view.to = view.from + span;
    redrawAll();
  }

  const showWhole = () => setView(start, end);

  function zoom(factor) {
    const around = cross !== null && cross > view.from && cross < view.to ? cross : (view.from + view.to) / 2;
    const from = around - (around - view.from) * factor, to = around + (view.to - around) * factor;
    setView(from, to);
  }

  function pan(part) {
    const shift = (view.to - view.from) * part;
    setView(view.from + shift, view.to + shift);
  }

  function zoomToSelection(u) {
    const { left, width } = u.select;
    if (width < 3) return;
    const from = u.posToVal(left, "x"), to = u.posToVal(left + width, "x");
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    setView(from, to);
  }

  // ---- crosshair and readout ---------------------------------------------------------------------------------------

  let following = false;

  function followCursor(u) {
    if (following) return;
    const { left } = u.cursor;
    if (left < 0) {
      // The pointer left the strip: the crosshair stays where it was last.
      if (cross !== null) queueMicrotask(() => showCross(cross));
      return;
    }
    showCross(u.posToVal(left, "x"));
  }

  function wordFor(channel, value) {
    if (value === undefined || Number.isNaN(value)) return "–";
    if (channel.names) return channel.names[String(value)] ?? String(value);
    return Number(value.toFixed(channel.decimals)).toFixed(channel.decimals); // twice, so that no "-0" is left
  }

  function showCross(time) {
    const index = clamp(indexAt(time), 0, samples - 1);
    cross = start + index * step;
    find("#cross").textContent = `${chosen >= 0 && Math.abs(markers[chosen].time_s - cross) <= step ? `${describe(markers[chosen])}. ` : ""}At ${cross.toFixed(2)} s`;
    following = true;
    for (const strip of strips) {
      strip.chart.setCursor({ left: strip.chart.valToPos(cross, "x"), top: strip.chart.height / 3 }, false);
      for (const line of strip.lines) {
        line.cell.textContent = wordFor(channels[line.channel], runs[line.run].values[channels[line.channel].key]?.[index]);
      }
    }
    following = false;
  }

  function buildReadout(strip) {
    const place = find(".values", strip.box);
    for (const line of strip.lines) {
      const style = runs[line.run].style;
      const item = document.createElement("span");
      item.className = "value";
      item.style.color = style.ink;
      const letter = document.createElement("b");
      letter.textContent = strip.channels.length > 1 ? `${style.letter} ${channels[line.channel].label}` : style.letter;
      line.cell = document.createElement("span");
      line.cell.textContent = "–";
      item.append(letter, " ", line.cell);
      line.item = item;
      place.append(item);
    }
  }

  // ---- markers -----------------------------------------------------------------------------------------------------

  function describe(marker) {
    const run = runs[marker.run];
    return `${run.style.letter} ${run.name}, ${marker.time_s.toFixed(2)} s: ${MARKER_WORDS[marker.kind]}, ${marker.text}`;
  }

  const holds = []; // {bar, from, to}: the bars of the lanes
  const markerButtons = [];

  function buildLanes() {
    const tracks = findAll(".lane-track");
    if (!tracks.length) return;
    const since = new Map();
    const addHold = (run, from, to) => {
      const bar = document.createElement("span");
      bar.className = "hold";
      bar.style.borderColor = runs[run].style.ink;
      tracks[run].append(bar);
      holds.push({ bar, from, to });
    };
    for (const index of source.marker_order) {
      const marker = markers[index];
      if (marker.kind === "in" && !since.has(marker.run)) since.set(marker.run, marker.time_s);
      if (marker.kind === "out" && since.has(marker.run)) {
        addHold(marker.run, since.get(marker.run), marker.time_s);
        since.delete(marker.run);
      }
    }
    for (const [run, from] of since) addHold(run, from, start + (runs[run].samples - 1) * step);
    for (const index of source.marker_order) {
      const marker = markers[index];
      const button = document.createElement("button");
      button.type = "button";
      button.className = "marker";
      button.textContent = MARKER_SIGNS[marker.kind];
      button.style.color = runs[marker.run].style.ink;
      button.setAttribute("aria-label", describe(marker));
      button.title = describe(marker);
      button.tabIndex = -1;
      button.addEventListener("click", () => choose(index));
      button.addEventListener("focus", () => choose(index));
      button.addEventListener("pointerenter", () => choose(index));
      tracks[marker.run].append(button);
      markerButtons[index] = button;
    }
    markerButtons[source.marker_order[0]].tabIndex = 0;
  }

  function placeMarkers() {
    const place = (time) => ((time - view.from) / (view.to - view.from)) * 100;
    for (const { bar, from, to } of holds) {
      bar.style.left = `${place(from)}%`;
      bar.style.width = `${place(to) - place(from)}%`;
    }
    markerButtons.forEach((button, index) => {
      const time = markers[index].time_s;
      button.style.left = `${place(time)}%`;
      button.classList.toggle("beyond", time < view.from || time > view.to);
    });
  }

  function choose(index) {
    if (chosen >= 0) {
      markerButtons[chosen]?.classList.remove("chosen");
      if (markerButtons[chosen]) markerButtons[chosen].tabIndex = -1;
    }
    chosen = index;
    markerButtons[index].classList.add("chosen");
    markerButtons[index].tabIndex = 0;
    showCross(markers[index].time_s);
  }

  function bringIntoView(time, span = view.to - view.from) {
    if (time < view.from || time > view.to || span !== view.to - view.from) setView(time - span / 2, time + span / 2);
  }

  function stepMarker(direction) {
    const order = source.marker_order.filter((index) => runShown[markers[index].run]);
    if (!order.length) return;
    const place = order.indexOf(chosen);
    // Without a marker at the crosshair the next one is looked for from the crosshair itself.
    const at = cross ?? view.from;
    const beside = direction > 0 ? order.findIndex((index) => markers[index].time_s > at) : order.findLastIndex((index) => markers[index].time_s < at);
    const isThere = place >= 0 && Math.abs(markers[chosen].time_s - at) <= step;
    const next = isThere ? place + direction : beside;
    if (next < 0 || next >= order.length) return;
    bringIntoView(markers[order[next]].time_s);
    choose(order[next]);
  }

  // ---- what the user does ------------------------------------------------------------------------------------------

  function toggleRun(run) {
    if (run >= runs.length) return;
    runShown[run] = !runShown[run];
    find(`.legend [data-run="${run}"]`).setAttribute("aria-pressed", String(runShown[run]));
    for (const element of findAll(`.lane[data-run="${run}"], .engagements tr[data-run="${run}"]`)) element.hidden = !runShown[run];
    showItems();
    redrawAll();
  }

  function showItems() {
    for (const strip of strips) for (const line of strip.lines) line.item.hidden = !lineShown(strip, line);
  }

  const actions = {
    "zoom-in": () => zoom(0.5),
    "zoom-out": () => zoom(2),
    earlier: () => pan(-0.25),
    later: () => pan(0.25),
    whole: showWhole,
    previous: () => stepMarker(-1),
    next: () => stepMarker(1),
  };

  const moveCross = (count) => {
    const time = clamp((cross ?? (view.from + view.to) / 2) + count * step, start, end);
    bringIntoView(time);
    showCross(time);
  };

  const keys = {
    "+": actions["zoom-in"], "=": actions["zoom-in"], "-": actions["zoom-out"], "−": actions["zoom-out"],
    ArrowLeft: actions.earlier, ArrowRight: actions.later, 0: showWhole, Home: showWhole,
    p: actions.previous, n: actions.next,
    ",": () => moveCross(-1), ".": () => moveCross(1), "<": () => moveCross(-100), ">": () => moveCross(100), ";": () => moveCross(-100), ":": () => moveCross(100),
  };

  function onKey(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const onMarker = event.target.classList.contains("marker");
    if (onMarker && (event.key === "ArrowLeft" || event.key === "ArrowRight")) {
      stepMarker(event.key === "ArrowLeft" ? -1 : 1);
      markerButtons[chosen].focus();
    } else if (/^[1-9]$/.test(event.key)) toggleRun(Number(event.key) - 1);
    else if (Object.hasOwn(keys, event.key)) keys[event.key]();
    else return;
    event.preventDefault();
  }

  function listen() {
    traces.addEventListener("keydown", onKey);
    for (const button of findAll("[data-do]")) button.addEventListener("click", actions[button.dataset.do]);
    for (const button of findAll(".legend .run")) button.addEventListener("click", () => toggleRun(Number(button.dataset.run)));
    for (const strip of strips) {
      find(".plot", strip.box).addEventListener("pointerdown", () => traces.focus({ preventScroll: true }));
      for (const button of findAll(".pick", strip.box)) {
        button.addEventListener("click", () => {
          const channel = Number(button.dataset.channel), show = !strip.shown.has(channel);
          if (show) strip.shown.add(channel);
          else strip.shown.delete(channel);
          button.setAttribute("aria-pressed", String(show));
          showItems();
          redraw(strip);
        });
      }
    }
    for (const button of findAll(".jump")) {
      button.addEventListener("click", () => {
        const index = Number(button.dataset.marker);
        bringIntoView(markers[index].time_s, Math.min(20, view.to - view.from));
        choose(index);
        traces.scrollIntoView({ block: "start" });
        traces.focus({ preventScroll: true });
      });
    }
    let width = traces.clientWidth;
    new ResizeObserver(() => {
      if (printing || traces.clientWidth === width) return;
      width = traces.clientWidth;
      fit();
    }).observe(traces);
    addEventListener("beforeprint", () => { printing = true; fit(); });
    addEventListener("afterprint", () => { printing = false; fit(); });
  }

  async function begin() {
    const isWhole = (trace) => trace === undefined || (trace.step === 1 && !trace.levels && Number.isInteger(trace.offset));
    for (const channel of channels) if (runs.every((run) => isWhole(run.traces[channel.key]))) channel.decimals = 0;
    await Promise.all(
      runs.map(async (run) => {
        const entries = await Promise.all(Object.entries(run.traces).map(async ([key, trace]) => [key, await unpack(trace)]));
        run.values = Object.fromEntries(entries);
        delete run.traces;
      }),
    );
    for (const channel of channels) {
      const lows = [], highs = [];
      for (const run of runs) {
        let low = Infinity, high = -Infinity;
        for (const value of run.values[channel.key] ?? []) { if (value < low) low = value; if (value > high) high = value; }
        lows.push(low);
        highs.push(high);
      }
      channel.decimals ??= decimals(Math.max(...highs) - Math.min(...lows));
    }
    source.strips.forEach((members, index) => {
      const box = find(`[data-strip="${index}"]`);
      const rungs = channels[members[0]].names ? rungsOf(channels[members[0]]) : null;
      const lines = members.flatMap((channel) => runs.map((run, at) => {
        const values = run.values[channels[channel].key] ?? new Float64Array(0);
        return { run: at, channel, values: rungs ? onRungs(values, rungs, at) : values };
      }));
      const strip = { box, channels: members, lines, rungs, shown: new Set(members) };
      strips.push(strip);
      buildReadout(strip);
    });
    measureRoom();
    buildLanes();
    for (const strip of strips) {
      const width = plotWidth();
      strip.chart = new uPlot(optionsFor(strip, width), cut(linesOf(strip), view.from, view.to, Math.max(60, width - axisRoom - labelRoom)), find(".plot", strip.box));
    }
    fit();
    listen();
    document.documentElement.dataset.readyMs = performance.now().toFixed(0);
  }

  // For whoever wants the numbers from the browser's console.
  window.report = {
    view: () => ({ ...view }),
    values: (run, key) => [...runs[run].values[key]],
  };

  begin().catch((error) => {
    const trouble = find("#trouble");
    trouble.hidden = false;
    trouble.textContent = `The traces could not be drawn: ${error.message}. A browser of 2023 or later is needed; the tables above hold without it.`;
  });
})();
