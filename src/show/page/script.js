(async () => {
  'use strict';
  const $ = (id) => document.getElementById(id);
  const facts = JSON.parse($('facts').textContent);
  const dark = matchMedia('(prefers-color-scheme: dark)');
  const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue('--' + name).trim();
  const number = (v, digits = 3) => {
    if (v === 0) return '0';
    const text = Math.abs(v) >= 1000 ? v.toFixed(0) : v.toPrecision(digits);
    return text.includes('.') && !text.includes('e') ? text.replace(/\.?0+$/, '') : text;
  };
  // At full zoom whole seconds tell too little.
  const fine = (s) => clock(s) + (range[1] - range[0] < 120 ? '.' + String(Math.floor((s - Math.floor(s)) * 100)).padStart(2, '0') : '');
  const step = (least) => { for (let ten = 1e-3; ; ten *= 10) for (const digit of [1, 2, 5]) if (digit * ten >= least) return digit * ten; };
  const clock = (s) => {
    const whole = Math.floor(s + 1e-9), h = Math.floor(whole / 3600), m = Math.floor(whole / 60) % 60;
    const two = (n) => String(n).padStart(2, '0');
    return (h ? h + ':' + two(m) : m) + ':' + two(whole % 60);
  };

  async function unpack(id) {
    const text = atob($(id).textContent.trim());
    const packed = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i++) packed[i] = text.charCodeAt(i);
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream('deflate'));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  // Without this a browser shows the still pictures.
  if (typeof DecompressionStream !== 'function') return;
  const [timeBytes, planBytes] = await Promise.all([unpack('time-data'), unpack('plan-data')]);
  document.documentElement.classList.add('scripted');

  function fit(canvas, height) {
    const width = canvas.clientWidth, dpr = devicePixelRatio || 1;
    canvas.style.height = height + 'px';
    const w = Math.max(1, Math.round(width * dpr)), h = Math.max(1, Math.round(height * dpr));
    if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
    const ctx = canvas.getContext('2d');
    ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
    ctx.clearRect(0, 0, width, height);
    return [ctx, width, height];
  }

  // ---- over time ----
  const time = (() => {
    const { stretch_s, columns, rings, heats, cools } = facts.time;
    const view = new DataView(timeBytes.buffer);
    let at = 0;
    const floats = () => {
      const out = new Array(columns);
      for (let k = 0; k < columns; k++, at += 4) { const v = view.getFloat32(at, true); out[k] = isFinite(v) ? v : null; }
      return out;
    };
    const meltLow = floats(), melt = floats(), sustained = floats(), speedLow = floats(), speed = floats();
    const ringing = rings ? floats() : null, capacity = heats ? floats() : null, cooling = cools ? floats() : null, fan = floats();
    const lines = new Array(columns);
    for (let k = 0; k < columns; k++, at += 4) lines[k] = view.getUint32(at, true);
    const x = Array.from({ length: columns }, (_, k) => k * stretch_s);
    return { x, meltLow, melt, sustained, speedLow, speed, ringing, capacity, cooling, fan, lines };
  })();
  const end = Math.max(facts.time.end_s, facts.time.stretch_s);
  let range = [0, end], charts = [];

  function show(from, to) {
    const span = Math.min(Math.max(to - from, facts.time.stretch_s * 4), end);
    from = Math.min(Math.max(from, 0), end - span);
    range = [from, from + span];
    Object.assign($('charts').dataset, { from: range[0], to: range[1] });
    for (const chart of charts) chart.setScale('x', { min: range[0], max: range[1] });
    drawRuler();
  }
  // The moment that is chosen; its layer is the one shown in plan.
  let moment = null;
  function choose(at, line) {
    moment = Math.min(Math.max(at, 0), end);
    const span = range[1] - range[0];
    if (moment < range[0] || moment > range[1]) show(moment - span / 2, moment + span / 2);
    readTime(columnAt(moment), line, moment);
    for (const chart of charts) chart.redraw(false, false);
    drawRuler();
  }
  const zoom = (by, about = (range[0] + range[1]) / 2) =>
    show(about - (about - range[0]) * by, about + (range[1] - about) * by);
  const pan = (by) => show(range[0] + by * (range[1] - range[0]), range[1] + by * (range[1] - range[0]));

  const columnAt = (s) => Math.min(Math.max(Math.floor(s / facts.time.stretch_s), 0), time.x.length - 1);
  // `at` tells which layer it is where two share a column.
  function readTime(k, line = time.lines[k], at = time.x[k]) {
    const parts = [fine(time.x[k])];
    if (line) parts.push('line ' + line);
    const layer = layerAt(at);
    if (layer) parts.push('layer ' + layer.number);
    const value = (name, v, unit) => { if (v != null) parts.push(name + ' ' + number(v) + (unit && ' ' + unit)); };
    value('melt rate', time.melt[k], 'mm³/s');
    value('sustained', time.sustained[k], 'mm³/s');
    if (time.capacity) value('of', time.capacity[k], 'mm³/s');
    value('speed', time.speed[k], 'mm/s');
    if (time.ringing) value('ringing', time.ringing[k], 'mm');
    if (time.cooling) value('time to cool', time.cooling[k], 's');
    if (time.fan[k] != null) parts.push('fan ' + Math.round(time.fan[k] * 100) + ' %');
    const near = (range[1] - range[0]) / 120;
    const events = facts.time.events.filter((e) => Math.abs(e[0] - time.x[k]) < near).slice(0, 3).map((e) => e[2]);
    $('time-readout').textContent = parts.join(' · ') + (events.length ? ' — ' + events.join(', ') : '');
  }
  function layerAt(s) {
    const starts = facts.time.layers;
    let low = 0, high = starts.length;
    while (low < high) { const mid = (low + high) >> 1; if (starts[mid] <= s) low = mid + 1; else high = mid; }
    return low ? { number: low } : null;
  }

  // What the plan is coloured by, in words and units, and the value from which on it stands out.
  const quantities = {
    melt: { words: 'melt rate', unit: 'mm³/s', top: facts.top.melt, limit: facts.capacity.sustained, means: 'the sustained capacity that the sheet gives' },
    speed: { words: 'speed', unit: 'mm/s', top: facts.top.speed },
    ringing: { words: 'ringing', unit: 'mm', top: facts.top.ringing, limit: facts.ringing_limit_mm, means: 'the limit that the sheet gives' },
    fan: { words: 'fan', unit: '%', top: 100 },
    time: { words: 'time', unit: '', top: end },
  };
  let quantity = 'melt';
  const full = ({ limit, top }) => limit || top;
  // Values are known to one part in 255 of the largest: what may be the limit itself is not beyond it.
  const isBeyond = ({ limit, top }, value) => !!limit && value > limit + top / 510;
  const paint = (of, value) => isBeyond(of, value) ? ink('limit') : colour(value / Math.max(full(of), 1e-9));

  const AXIS = 62, RIGHT = 18;
  // The colours of the plan beside the axis of the curve they belong to.
  function drawScale(u, name) {
    if (!plan || name !== quantity) return;
    const { ctx, bbox } = u, of = quantities[name], wide = 7 * devicePixelRatio;
    ctx.save();
    for (let y = 0; y < bbox.height; y += devicePixelRatio) {
      const value = u.posToVal((y + .5 * devicePixelRatio) / devicePixelRatio, 'y');
      if (value > Math.max(of.top, of.limit || 0)) continue;
      ctx.fillStyle = paint(of, value);
      ctx.fillRect(bbox.left - wide, bbox.top + y, wide, devicePixelRatio + .5);
    }
    ctx.restore();
  }
  // The layer and the moment that are chosen.
  function drawChosen(u) {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    const span = plan && plan.span();
    ctx.fillStyle = ctx.strokeStyle = ink('mark');
    if (span) {
      const [from, to] = span.map((s) => u.valToPos(s, 'x', true));
      ctx.globalAlpha = .14; ctx.fillRect(from, bbox.top, Math.max(to - from, 2), bbox.height); ctx.globalAlpha = 1;
    }
    if (moment != null) {
      const x = u.valToPos(moment, 'x', true);
      ctx.lineWidth = 2 * devicePixelRatio; ctx.beginPath(); ctx.moveTo(x, bbox.top); ctx.lineTo(x, bbox.top + bbox.height); ctx.stroke();
    }
    ctx.restore();
  }
  // Layers as marks along the time.
  function drawRuler() {
    if (!plan) return;
    const [ctx, width, height] = fit($('ruler'), 36), per = (width - AXIS - RIGHT) / (range[1] - range[0]);
    const x = (s) => AXIS + (s - range[0]) * per, starts = facts.time.layers;
    ctx.save(); ctx.beginPath(); ctx.rect(AXIS, 0, width - AXIS - RIGHT, height); ctx.clip();
    if (quantity === 'time') for (let c = AXIS; c < width - RIGHT; c++) { ctx.fillStyle = paint(quantities.time, range[0] + (c - AXIS) / per); ctx.fillRect(c, height - 8, 1.5, 8); }
    const span = plan.span();
    if (span) {
      ctx.fillStyle = ink('mark'); ctx.globalAlpha = .25; ctx.fillRect(x(span[0]), 0, Math.max((span[1] - span[0]) * per, 2), height - 8); ctx.globalAlpha = 1;
    }
    ctx.strokeStyle = ink('faint'); ctx.fillStyle = ink('text'); ctx.font = '12px system-ui, sans-serif'; ctx.beginPath();
    let last = -1e9, named = -1e9;
    for (let k = 0; k < starts.length; k++) {
      const px = x(starts[k]);
      if (px - last < 4 || px > width) continue;
      const room = px - named > 34;
      ctx.moveTo(px, room ? 0 : 12); ctx.lineTo(px, height - 8); last = px;
      if (room && px >= AXIS - 30) { ctx.fillText(k + 1, px + 3, 12); named = px; }
    }
    ctx.stroke();
    if (moment != null) { ctx.fillStyle = ink('mark'); ctx.fillRect(x(moment) - 1.5, 0, 3, height); }
    ctx.restore();
    ctx.fillStyle = ink('faint'); ctx.fillText('layer', 20, 12);
  }
  function drawLevels(u, levels) {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    // Layer boundaries, where there is room to tell them apart.
    const starts = facts.time.layers, per = (range[1] - range[0]) / bbox.width;
    ctx.strokeStyle = ink('faint'); ctx.globalAlpha = .45; ctx.setLineDash([2 * devicePixelRatio, 4 * devicePixelRatio]); ctx.lineWidth = devicePixelRatio; ctx.beginPath();
    let last = -1e9;
    for (const s of starts) {
      if (s < range[0] || s > range[1] || s - last < per * 12) continue;
      const x = u.valToPos(s, 'x', true);
      ctx.moveTo(x, bbox.top); ctx.lineTo(x, bbox.top + bbox.height); last = s;
    }
    ctx.stroke();
    ctx.globalAlpha = 1;
    ctx.setLineDash([7 * devicePixelRatio, 4 * devicePixelRatio]);
    ctx.lineWidth = 2 * devicePixelRatio; ctx.strokeStyle = ctx.fillStyle = ink('limit');
    ctx.font = 12 * devicePixelRatio + 'px system-ui, sans-serif';
    ctx.textAlign = 'left'; ctx.textBaseline = 'alphabetic';
    for (const [value, name] of levels) {
      const y = u.valToPos(value, 'y', true);
      ctx.beginPath(); ctx.moveTo(bbox.left, y); ctx.lineTo(bbox.left + bbox.width, y); ctx.stroke();
      ctx.fillText(name, bbox.left + 6 * devicePixelRatio, y - 4 * devicePixelRatio);
    }
    ctx.restore();
  }
  function drawEvents(u) {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    ctx.fillStyle = ctx.strokeStyle = ink('mark');
    ctx.font = 11 * devicePixelRatio + 'px system-ui, sans-serif';
    ctx.textAlign = 'left'; ctx.textBaseline = 'alphabetic';
    let free = -1e9;
    for (const [s, , text] of facts.time.events) {
      if (s < range[0] || s > range[1]) continue;
      const x = u.valToPos(s, 'x', true), top = bbox.top;
      ctx.beginPath(); ctx.moveTo(x - 5 * devicePixelRatio, top); ctx.lineTo(x + 5 * devicePixelRatio, top);
      ctx.lineTo(x, top + 8 * devicePixelRatio); ctx.fill();
      const width = ctx.measureText(text).width;
      if (x > free && x + width < bbox.left + bbox.width) { ctx.fillText(text, x + 5 * devicePixelRatio, top + 18 * devicePixelRatio); free = x + width + 14 * devicePixelRatio; }
    }
    ctx.restore();
  }

  function makeCharts() {
    for (const chart of charts) chart.destroy();
    const stepped = uPlot.paths.stepped({ align: 1 });
    const wide = $('charts').clientWidth;
    const specs = [
      { name: 'melt', height: 190, top: Math.max(facts.top.melt, facts.sustained_top, facts.capacity.sustained || 0) * 1.12,
        series: [['FIRST', time.melt], ['LOW', time.meltLow], ['SECOND', time.sustained], ...(time.capacity ? [['LIMIT', time.capacity]] : [])],
        // A capacity that changes with the temperature is a curve and no level.
        levels: time.capacity ? [] : [[facts.capacity.sustained, 'sustained capacity'], [facts.capacity.peak, 'peak capacity']] },
      { name: 'speed', height: 140, top: facts.top.speed * 1.08, series: [['THIRD', time.speed], ['LOW', time.speedLow]], levels: [] },
    ];
    if (time.ringing) specs.push({ name: 'ringing', height: 140, top: Math.max(facts.top.ringing, facts.ringing_limit_mm || 0) * 1.12,
      series: [['FIRST', time.ringing]], levels: [[facts.ringing_limit_mm, 'limit']] });
    if (time.cooling) specs.push({ name: 'cooling', height: 110, top: Math.max(facts.time.cooling_top_s, facts.time.cooling_least_s) * 1.12,
      series: [['THIRD', time.cooling]], levels: [[facts.time.cooling_least_s, 'least']] });
    specs.push({ name: 'fan', height: 110, top: 135, series: [['SECOND', time.fan.map((v) => v == null ? null : v * 100)]], levels: [], events: true });
    charts = specs.map((spec, index) => {
      const last = index === specs.length - 1;
      const levels = spec.levels.filter(([v]) => v != null && v < spec.top);
      const colour = { FIRST: ink('first'), SECOND: ink('second'), THIRD: ink('third'), LIMIT: ink('limit') };
      const series = spec.series.map(([kind]) => kind === 'LOW'
        ? { stroke: 'transparent', paths: stepped, points: { show: false } }
        : { stroke: colour[kind], width: kind === 'SECOND' ? 1.75 : 1, paths: stepped, points: { show: false },
            fill: spec.series.length === 1 ? colour[kind] + '40' : undefined });
      const low = spec.series.findIndex(([kind]) => kind === 'LOW');
      const axis = { stroke: ink('faint'), grid: { stroke: ink('grid'), width: 1 }, ticks: { stroke: ink('grid') }, font: '12px system-ui, sans-serif' };
      const chart = new uPlot({
        width: wide, height: spec.height + (last ? 30 : 0), legend: { show: false }, padding: [8, RIGHT, last ? 0 : 8, 0],
        cursor: { sync: { key: 'time' }, drag: { x: true, y: false, dist: 8 }, points: { show: false }, y: false },
        scales: { x: { time: false, min: range[0], max: range[1] }, y: { range: [0, spec.top || 1] } },
        axes: [
          { ...axis, show: last, values: (_, ticks) => ticks.map((t) => range[1] - range[0] < 8 ? number(t, 6) + ' s' : clock(t)), space: 90,
            incrs: [.1, .2, .5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400, 172800, 604800] },
          { ...axis, size: AXIS, splits: spec.events ? () => [0, 50, 100] : undefined },
        ],
        series: [{}, ...series],
        bands: low < 0 ? [] : [{ series: [low, low + 1], fill: colour[spec.series[0][0]] + '59' }],
        hooks: {
          draw: [(u) => { drawChosen(u); drawLevels(u, levels); if (spec.events) drawEvents(u); drawScale(u, spec.name); }],
          setCursor: [(u) => { if (u.cursor.event && u.cursor.left >= 0) { const at = u.posToVal(u.cursor.left, 'x'); readTime(columnAt(at), undefined, at); } }],
          setSelect: [(u) => { if (u.select.width > 8) show(u.posToVal(u.select.left, 'x'), u.posToVal(u.select.left + u.select.width, 'x')); u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false); }],
        },
      // What is not known is nothing: a single column between gaps would not be drawn.
      }, [time.x, ...spec.series.map(([, data]) => data.map((v) => v ?? 0))], $('chart-' + spec.name));
      // The drag above has its own rule for what it shows.
      chart.cursor.drag.setScale = false;
      let pressed = null;
      chart.over.addEventListener('pointerdown', (e) => { pressed = [e.clientX, e.clientY]; });
      chart.over.addEventListener('click', (e) => {
        if (!pressed || Math.hypot(e.clientX - pressed[0], e.clientY - pressed[1]) > 5) return;
        chooseAt(e);
      });
      chart.over.addEventListener('dblclick', () => show(0, end));
      return chart;
    });
  }
  // The moment under the pointer, and its layer in plan.
  function chooseAt(e) {
    const box = charts[0].over.getBoundingClientRect();
    const at = charts[0].posToVal(Math.min(Math.max(e.clientX - box.left, 0), box.width), 'x'), layer = layerAt(at);
    if (plan && layer) plan.showNumber(layer.number);
    choose(at);
  }
  // Layers by arrow keys, moments between them with shift.
  $('ruler').addEventListener('keydown', (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || !plan) return;
    const on = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[e.key];
    const by = (layers) => () => plan.turnBy(layers);
    const act = on ? (e.shiftKey ? () => {
      choose((moment ?? 0) + on * (range[1] - range[0]) / 200);
      const layer = layerAt(moment);
      if (layer) plan.showNumber(layer.number);
    } : by(on)) : { PageUp: by(10), PageDown: by(-10), Home: by(-Infinity), End: by(Infinity), '+': () => zoom(.6, moment ?? undefined), '=': () => zoom(.6, moment ?? undefined), '-': () => zoom(1 / .6, moment ?? undefined), 0: () => show(0, end) }[e.key];
    if (act) { e.preventDefault(); act(); }
  });
  $('ruler').addEventListener('pointerdown', (e) => { $('ruler').setPointerCapture(e.pointerId); chooseAt(e); });
  $('ruler').addEventListener('pointermove', (e) => { if (e.buttons) chooseAt(e); });
  $('charts').addEventListener('wheel', (e) => {
    if (!e.ctrlKey && !e.shiftKey) return;
    e.preventDefault();
    const box = charts[0].over.getBoundingClientRect();
    zoom((e.deltaY || e.deltaX) > 0 ? 1.25 : .8, charts[0].posToVal(e.clientX - box.left, 'x'));
  }, { passive: false });
  // One finger moves along a zoomed time, two zoom.
  let fingers = null;
  $('charts').addEventListener('touchstart', (e) => {
    fingers = { x: [...e.touches].map((t) => t.clientX), range: range.slice() };
  }, { passive: true });
  $('charts').addEventListener('touchmove', (e) => {
    if (!fingers || fingers.x.length !== e.touches.length) return;
    const box = charts[0].over.getBoundingClientRect(), x = [...e.touches].map((t) => t.clientX);
    const [from, to] = fingers.range, at = (px) => from + (px - box.left) / box.width * (to - from);
    if (x.length === 1) { const by = (fingers.x[0] - x[0]) / box.width * (to - from); show(from + by, to + by); }
    if (x.length === 2) {
      const by = Math.max(Math.abs(fingers.x[0] - fingers.x[1]), 10) / Math.max(Math.abs(x[0] - x[1]), 10);
      const about = at((fingers.x[0] + fingers.x[1]) / 2);
      show(about - (about - from) * by, about + (to - about) * by);
    }
  }, { passive: true });
  for (const button of document.querySelectorAll('[data-time]')) button.addEventListener('click', () => ({
    in: () => zoom(.5), out: () => zoom(2), back: () => pan(-.5), on: () => pan(.5), all: () => show(0, end),
  })[button.dataset.time]());

  // ---- the part ----
  function decode() {
    const { layers, paths, points, rings, step_ms } = facts.plan;
    let at = 0;
    const natural = () => { let v = 0, f = 1, b; do { b = planBytes[at++]; v += (b & 127) * f; f *= 128; } while (b > 127); return v; };
    const whole = () => { const v = natural(); return v % 2 ? -(v + 1) / 2 : v / 2; };
    const column = () => new Float64Array(layers);
    const layer = { number: column(), z: column(), top: column(), lines: column(), full: new Uint8Array(layers), path: new Uint32Array(layers + 1) };
    let number = 0, z = 0;
    for (let k = 0; k < layers; k++) {
      layer.number[k] = number += natural();
      layer.z[k] = (z += whole()) / 1000;
      layer.top[k] = layer.z[k] + natural() / 1000;
      layer.full[k] = natural();
      layer.lines[k] = natural();
      layer.path[k + 1] = layer.path[k] + natural();
    }
    const path = { point: new Uint32Array(paths + 1), travel: new Uint8Array(paths), line: new Float64Array(paths), from: new Float64Array(paths), to: new Float64Array(paths) };
    let line = 0, ms = 0;
    for (let k = 0; k < paths; k++) {
      const head = natural();
      path.travel[k] = head % 2;
      path.point[k + 1] = path.point[k] + Math.floor(head / 2);
      path.line[k] = line += whole();
      path.from[k] = (ms += whole()) * step_ms / 1000;
      path.to[k] = (ms += natural()) * step_ms / 1000;
    }
    const coordinates = () => { const out = new Int32Array(points); let v = 0; for (let k = 0; k < points; k++) out[k] = v += whole(); return out; };
    const x = coordinates(), y = coordinates();
    const bytes = () => planBytes.subarray(at, at += points);
    return { layer, path, x, y, melt: bytes(), speed: bytes(), ringing: rings ? bytes() : null };
  }

  const BINS = 24;
  const ramps = () => (dark.matches ? facts.map.dark : facts.map.paper);
  function colour(share) {
    const stops = ramps(), at = Math.min(Math.max(share, 0), 1) * (stops.length - 1);
    const k = Math.min(Math.floor(at), stops.length - 2), t = at - k;
    return 'rgb(' + [0, 1, 2].map((c) => Math.round(stops[k][c] + (stops[k + 1][c] - stops[k][c]) * t)).join() + ')';
  }

  const plan = (() => {
    if (!facts.plan.layers) {
      $('part-live').textContent = 'Nothing is moved in the plane.';
      $('layers-ruler').remove();
      for (const button of document.querySelectorAll('[data-colour]')) button.replaceWith(button.textContent);
      return null;
    }
    const data = decode(), { layer, path } = data, grid = facts.plan.grid_mm;
    const state = { k: 0, travel: !facts.plan.printed, side: 'x', view: null, marked: null, tall: 400, close: false };
    const box = facts.machine, part = facts.plan.box;
    const scaleOf = (name) => quantities[name].top / 255;

    // Findings by layer.
    const marks = [];
    facts.findings.forEach((finding, f) => finding.places.forEach((p, n) => {
      // What comes before the first layer is drawn with it.
      if (p[9]) marks.push({ f, n, number: finding.number, grave: finding.grave, layer: Math.max(p[1], 1), from: [p[2], p[3], p[4]], to: [p[5], p[6], p[7]], at: p[8], line: p[0] });
    }));
    const indexOf = (number) => {
      let low = 0, high = layer.number.length - 1;
      while (low < high) { const mid = (low + high + 1) >> 1; if (layer.number[mid] <= number) low = mid; else high = mid - 1; }
      return low;
    };

    // A layer that is not drawn is marked on the one below.
    for (const one of marks) one.index = indexOf(one.layer);

    const around = (b, margin) => ({ x0: b.min[0] - margin, x1: b.max[0] + margin, y0: b.min[1] - margin, y1: b.max[1] + margin });
    const partView = () => around(part, Math.max(2, .06 * Math.max(part.max[0] - part.min[0], part.max[1] - part.min[1])));
    const machineView = () => {
      const all = { min: [0, 1].map((a) => Math.min(box.min[a], part.min[a])), max: [0, 1].map((a) => Math.max(box.max[a], part.max[a])) };
      return around(all, .03 * (all.max[0] - all.min[0]));
    };
    function mapping(width, height) {
      const v = state.view, s = Math.min(width / (v.x1 - v.x0), height / (v.y1 - v.y0));
      const cx = (v.x0 + v.x1) / 2, cy = (v.y0 + v.y1) / 2;
      return { s, x: (mm) => width / 2 + (mm - cx) * s, y: (mm) => height / 2 - (mm - cy) * s, mmX: (px) => cx + (px - width / 2) / s, mmY: (px) => cy - (px - height / 2) / s };
    }
    // As tall as it was drawn last, or all readings would be off.
    const tall = () => Math.max(240, Math.min($('plan').clientWidth, innerHeight * .7));
    const height = () => state.tall;

    // When each point of the layer is passed: a path's time spread by length over speed.
    let known = { k: -1 };
    function passed(k) {
      if (known.k === k) return known;
      const start = path.point[layer.path[k]], at = new Float64Array(path.point[layer.path[k + 1]] - start);
      for (let p = layer.path[k]; p < layer.path[k + 1]; p++) {
        let sum = 0;
        for (let q = path.point[p] + 1; q < path.point[p + 1]; q++) {
          sum += Math.hypot(data.x[q] - data.x[q - 1], data.y[q] - data.y[q - 1]) / Math.max(data.speed[q], .5);
          at[q - start] = sum;
        }
        for (let q = path.point[p]; q < path.point[p + 1]; q++) at[q - start] = path.from[p] + (path.to[p] - path.from[p]) * (sum ? at[q - start] / sum : 0);
      }
      return known = { k, start, at };
    }
    // The value by which a point of the layer is coloured.
    function value(k, p, q) {
      if (quantity !== 'time' && quantity !== 'fan') return data[quantity][q] * scaleOf(quantity);
      const { start, at } = passed(k);
      return quantity === 'time' ? at[q - start] : (time.fan[columnAt(at[q - start])] ?? 0) * 100;
    }
    const span = (k = state.k) => [path.from[layer.path[k]], path.to[layer.path[k + 1] - 1]];

    function frame(ctx, m, width, heightPx) {
      const grid = step(45 / m.s);
      ctx.font = '11px system-ui, sans-serif'; ctx.fillStyle = ink('faint'); ctx.strokeStyle = ink('grid'); ctx.lineWidth = 1;
      ctx.beginPath();
      for (let v = Math.ceil(m.mmX(0) / grid) * grid; v <= m.mmX(width); v += grid) { ctx.moveTo(m.x(v), 0); ctx.lineTo(m.x(v), heightPx); ctx.fillText(number(v, 4), m.x(v) + 2, heightPx - 3); }
      for (let v = Math.ceil(m.mmY(heightPx) / grid) * grid; v <= m.mmY(0); v += grid) { ctx.moveTo(0, m.y(v)); ctx.lineTo(width, m.y(v)); ctx.fillText(number(v, 4), 2, m.y(v) - 2); }
      ctx.stroke();
      ctx.strokeStyle = ink('limit'); ctx.lineWidth = 1.5; ctx.setLineDash([8, 4]);
      ctx.beginPath();
      if (box.disc) ctx.ellipse(m.x((box.min[0] + box.max[0]) / 2), m.y((box.min[1] + box.max[1]) / 2), (box.max[0] - box.min[0]) / 2 * m.s, (box.max[1] - box.min[1]) / 2 * m.s, 0, 0, 7);
      else ctx.rect(m.x(box.min[0]), m.y(box.max[1]), (box.max[0] - box.min[0]) * m.s, (box.max[1] - box.min[1]) * m.s);
      ctx.stroke(); ctx.setLineDash([]);
      for (const k of box.keep_out) {
        // Where the layer passes above or below it, only its outline.
        const here = layer.top[state.k] >= k.min[2] && layer.z[state.k] <= k.max[2];
        const [x, y, w, h] = [m.x(k.min[0]), m.y(k.max[1]), (k.max[0] - k.min[0]) * m.s, (k.max[1] - k.min[1]) * m.s];
        ctx.save(); ctx.globalAlpha = here ? 1 : .4; ctx.beginPath(); ctx.rect(x, y, w, h); ctx.stroke(); ctx.clip(); ctx.globalAlpha = here ? .5 : 0;
        ctx.beginPath(); for (let d = 0; d < w + h; d += 9) { ctx.moveTo(x + d, y); ctx.lineTo(x + d - h, y + h); } ctx.stroke(); ctx.restore();
        ctx.fillStyle = ink('limit'); ctx.fillText(k.what, x + 3, y + 12);
      }
    }

    function lines(ctx, m) {
      const width = Math.max(1.1, Math.min(facts.plan.line_mm * m.s, 9));
      // One more for what is beyond the limit.
      const bins = Array.from({ length: BINS + 1 }, () => new Path2D()), travel = new Path2D();
      const of = quantities[quantity], [low, high] = quantity === 'time' ? span() : [0, full(of)];
      const px = (q) => m.x(data.x[q] * grid), py = (q) => m.y(data.y[q] * grid);
      for (let p = layer.path[state.k]; p < layer.path[state.k + 1]; p++) {
        const from = path.point[p], to = path.point[p + 1];
        if (path.travel[p]) {
          if (!state.travel) continue;
          travel.moveTo(px(from), py(from));
          for (let q = from + 1; q < to; q++) travel.lineTo(px(q), py(q));
          continue;
        }
        let bin = -1;
        for (let q = from + 1; q < to; q++) {
          const v = value(state.k, p, q), part = (v - low) / Math.max(high - low, 1e-9);
          const next = isBeyond(of, v) ? BINS : Math.min(BINS - 1, Math.floor(part * BINS));
          if (next !== bin) { bin = next; bins[bin].moveTo(px(q - 1), py(q - 1)); }
          bins[bin].lineTo(px(q), py(q));
        }
      }
      ctx.lineCap = ctx.lineJoin = 'round'; ctx.lineWidth = width;
      bins.forEach((lines, b) => {
        ctx.strokeStyle = b < BINS ? colour((b + .5) / BINS) : ink('limit');
        ctx.lineWidth = b < BINS ? width : width + 1.5;
        ctx.stroke(lines);
      });
      if (state.travel) { ctx.strokeStyle = ink('faint'); ctx.lineWidth = 1; ctx.setLineDash([2, 3]); ctx.stroke(travel); ctx.setLineDash([]); }
    }

    function mark(ctx, x, y, text, strong) {
      ctx.beginPath(); ctx.arc(x, y, strong ? 13 : 9, 0, 7);
      ctx.fillStyle = ink('sheet'); ctx.globalAlpha = .85; ctx.fill(); ctx.globalAlpha = 1;
      ctx.lineWidth = strong ? 4 : 2; ctx.strokeStyle = ink('mark'); ctx.stroke();
      ctx.fillStyle = ink('text'); ctx.font = 'bold 11px system-ui, sans-serif'; ctx.textAlign = 'center'; ctx.textBaseline = 'middle';
      ctx.fillText(text, x, y); ctx.textAlign = 'start'; ctx.textBaseline = 'alphabetic';
    }
    const isMarked = (one) => state.marked && state.marked[0] === one.f && state.marked[1] === one.n;

    // Where the tip is at the chosen moment, on the paths that are drawn.
    function spot() {
      if (moment == null) return null;
      const { start, at } = passed(state.k);
      for (let p = layer.path[state.k]; p < layer.path[state.k + 1]; p++) {
        if (moment < path.from[p] || moment > path.to[p]) continue;
        let q = path.point[p] + 1;
        while (q < path.point[p + 1] - 1 && at[q - start] < moment) q++;
        const from = at[q - 1 - start], part = Math.min(Math.max((moment - from) / Math.max(at[q - start] - from, 1e-9), 0), 1);
        return [data.x, data.y].map((axis) => (axis[q - 1] + (axis[q] - axis[q - 1]) * part) * grid);
      }
      return null;
    }

    function drawPlan() {
      const [ctx, width, heightPx] = fit($('plan'), height()), m = mapping(width, heightPx);
      frame(ctx, m, width, heightPx);
      lines(ctx, m);
      const tip = spot();
      if (tip) for (const [ring, wide] of [['sheet', 5], ['text', 2]]) { ctx.strokeStyle = ink(ring); ctx.lineWidth = wide; ctx.beginPath(); ctx.arc(m.x(tip[0]), m.y(tip[1]), 7, 0, 7); ctx.stroke(); }
      const here = marks.filter((one) => one.index === state.k);
      const shown = new Map();
      for (const one of here) {
        // One circle for places that lie on each other.
        const key = one.number + ':' + Math.round(m.x(one.to[0]) / 26) + ':' + Math.round(m.y(one.to[1]) / 26);
        if (!shown.has(key) || isMarked(one)) shown.set(key, one);
      }
      const seen = (one) => m.x(one.to[0]) >= 0 && m.x(one.to[0]) <= width && m.y(one.to[1]) >= 0 && m.y(one.to[1]) <= heightPx;
      for (const one of shown.values()) {
        // On a part of the picture only what lies there.
        if (state.close && !seen(one)) continue;
        if (!one.grave && !isMarked(one)) {
          ctx.fillStyle = ink('mark'); ctx.beginPath(); ctx.arc(m.x(one.to[0]), m.y(one.to[1]), 2.5, 0, 7); ctx.fill();
          continue;
        }
        if (isMarked(one)) {
          ctx.strokeStyle = ink('mark'); ctx.lineWidth = 3; ctx.beginPath();
          ctx.moveTo(m.x(one.from[0]), m.y(one.from[1])); ctx.lineTo(m.x(one.to[0]), m.y(one.to[1])); ctx.stroke();
        }
        // Places off the picture are marked at its edge.
        const clip = (v, most) => Math.min(Math.max(v, 14), most - 14);
        mark(ctx, clip(m.x(one.to[0]), width), clip(m.y(one.to[1]), heightPx), one.number, isMarked(one));
      }
    }

    // The largest value along each sight line through a layer.
    const COLUMNS = 240;
    function raster() {
      const axis = state.side === 'x' ? data.x : data.y, a = state.side === 'x' ? 0 : 1;
      const low = part.min[a], width = Math.max(part.max[a] - low, 1e-3) / COLUMNS, out = new Uint16Array(layer.number.length * COLUMNS);
      const top = Math.max(quantities[quantity].top, 1e-9);
      for (let k = 0; k < layer.number.length; k++) for (let p = layer.path[k]; p < layer.path[k + 1]; p++) {
        if (path.travel[p]) continue;
        for (let q = path.point[p] + 1; q < path.point[p + 1]; q++) {
          const step = 1 + Math.min(Math.round(255 * value(k, p, q) / top), 255);
          const half = facts.plan.line_mm / 2, one = axis[q - 1] * grid - low, two = axis[q] * grid - low;
          let from = Math.floor((Math.min(one, two) - half) / width), to = Math.floor((Math.max(one, two) + half) / width);
          from = Math.max(from, 0); to = Math.min(to, COLUMNS - 1);
          for (let c = k * COLUMNS + from; c <= k * COLUMNS + to; c++) if (out[c] < step) out[c] = step;
        }
      }
      return out;
    }
    const rasters = new Map();
    let elevationMap = null;
    function drawElevation() {
      const key = quantity + state.side;
      if (!rasters.has(key)) rasters.set(key, raster());
      const cells = rasters.get(key), a = state.side === 'x' ? 0 : 1;
      const top = Math.max(layer.top.reduce((a, b) => Math.max(a, b)), 1), span = part.max[a] - part.min[a];
      const left = 34, below = 20, free = $('elevation').clientWidth - left - 10;
      // A flat part needs no tall picture.
      const tall = Math.max(140, Math.min(height(), free / Math.max(span, 1) * top * 1.25 + below + 14));
      const [ctx, width, heightPx] = fit($('elevation'), tall);
      const s = Math.min(free / Math.max(span, 1), (heightPx - below - 14) / top);
      const x = (mm) => left + (mm - part.min[a]) * s, y = (mm) => heightPx - below - mm * s;
      elevationMap = { mm: (px) => (heightPx - below - px) / s };
      ctx.font = '11px system-ui, sans-serif'; ctx.fillStyle = ink('faint'); ctx.strokeStyle = ink('grid');
      const grid = step(26 / s);
      for (let v = 0; v <= heightPx / s; v += grid) { ctx.beginPath(); ctx.moveTo(left, y(v)); ctx.lineTo(width, y(v)); ctx.stroke(); ctx.fillText(number(v, 4), 2, y(v) + 3); }
      ctx.fillText(state.side + ', mm', left + 2, heightPx - 5);
      for (const v of [part.min[a], part.max[a]]) ctx.fillText(number(v, 4), x(v) - (v === part.min[a] ? -44 : 26), heightPx - 5);
      const of = quantities[quantity], colours = Array.from({ length: 257 }, (_, step) => paint(of, (step - 1) / 255 * of.top));
      let under = 0;
      for (let k = 0; k < layer.number.length; k++) {
        const z = layer.top[k], bottom = Math.min(under, layer.z[k]), h = Math.max(y(bottom) - y(z), 1);
        for (let c = 0; c < COLUMNS;) {
          const value = cells[k * COLUMNS + c];
          let run = c + 1;
          while (run < COLUMNS && cells[k * COLUMNS + run] === value) run++;
          if (value) { ctx.fillStyle = colours[value]; ctx.fillRect(x(part.min[a] + c * span / COLUMNS), y(z), (run - c) * span / COLUMNS * s + .5, h + .3); }
          c = run;
        }
        under = z;
      }
      ctx.strokeStyle = ink('limit'); ctx.lineWidth = 1.5; ctx.setLineDash([8, 4]);
      for (const v of [box.min[a], box.max[a]]) if (x(v) > left && x(v) < width) { ctx.beginPath(); ctx.moveTo(x(v), 0); ctx.lineTo(x(v), y(0)); ctx.stroke(); }
      ctx.setLineDash([]); ctx.lineWidth = 1;
      for (const k of box.keep_out) if (x(k.max[a]) > left && x(k.min[a]) < width) {
        const from = Math.max(x(k.min[a]), left), to = Math.min(x(k.max[a]), width);
        ctx.strokeRect(from, y(k.max[2]), to - from, y(Math.max(k.min[2], 0)) - y(k.max[2]));
      }
      if (box.max[2] * s < heightPx) { ctx.strokeStyle = ink('limit'); ctx.setLineDash([8, 4]); ctx.beginPath(); ctx.moveTo(left, y(box.max[2])); ctx.lineTo(width, y(box.max[2])); ctx.stroke(); ctx.setLineDash([]); }
      ctx.fillStyle = ink('mark');
      const seen = new Set();
      for (const one of marks) {
        if (!one.grave) continue;
        const px = Math.min(Math.max(x(one.to[a]), left), width - 4), py = y(Math.min(Math.max(one.to[2], layer.z[one.index]), layer.top[one.index])), spot = Math.round(px / 12) + ':' + Math.round(py / 12);
        if (seen.has(spot)) continue;
        seen.add(spot); ctx.beginPath(); ctx.arc(px, py, 4, 0, 7); ctx.fill(); ctx.strokeStyle = ink('sheet'); ctx.lineWidth = 1; ctx.stroke();
      }
      const z = layer.z[state.k];
      ctx.strokeStyle = ink('mark'); ctx.lineWidth = 2; ctx.beginPath(); ctx.moveTo(left, y(z)); ctx.lineTo(width, y(z)); ctx.stroke();
    }

    // What the colours say.
    function caption() {
      const of = quantities[quantity], [from, to] = dark.matches ? ['dark', 'bright'] : ['light', 'dark'];
      const named = (v) => number(v) + (of.unit && ' ' + of.unit), says = ['Lines are coloured by '];
      const strong = document.createElement('strong');
      strong.textContent = of.words;
      let text = ', as beside its axis above: from ' + from + ', 0, to ' + to + ', ' + named(full(of));
      if (quantity === 'time') text = ': in plan from ' + from + ', ' + fine(span()[0]) + ', to ' + to + ', ' + fine(span()[1]) + '; in the whole part from 0:00 to ' + clock(end) + ', as along the layers above';
      else if (of.limit) text += ' = 100 %, ' + of.means + (of.top > of.limit + of.top / 510 ? '; what is beyond it for a moment is drawn red and wide, up to ' + named(of.top) + ' = ' + Math.round(of.top / of.limit * 100) + ' %' : '; the most in this job is ' + Math.round(of.top / of.limit * 100) + ' %');
      else if (quantity === 'melt') text += ', the most in this job: the sheet gives no sustained capacity';
      else if (quantity === 'ringing') text += ', the most in this job: the sheet gives no limit';
      else if (quantity === 'speed') text += ', the most in this job';
      $('colours').replaceChildren(...says, strong, text + '. The name of another curve above colours by that one.');
      $('travel-is').textContent = state.travel ? 'Travel is dotted; ' : 'Travel is hidden; ';
      $('travel').textContent = state.travel ? 'hide travel' : 'show travel';
      $('side-is').textContent = state.side === 'x' ? 'from the front' : 'from the side';
      $('side').textContent = state.side === 'x' ? 'see it from the side' : 'see it from the front';
      for (const button of document.querySelectorAll('[data-colour]')) button.setAttribute('aria-pressed', button.dataset.colour === quantity);
    }
    function name() {
      const k = state.k, found = new Set(marks.filter((one) => one.index === k).map((one) => one.f)).size;
      let drawn = 0;
      for (let p = layer.path[k]; p < layer.path[k + 1]; p++) drawn += 1 - path.travel[p];
      const text = layer.number[k] + ' of ' + facts.plan.layers_total + ', z ' + number(layer.z[k], 5) + (layer.top[k] > layer.z[k] ? ' to ' + number(layer.top[k], 5) : '') + ' mm' +
        (drawn < layer.lines[k] ? ', ' + drawn + ' of ' + layer.lines[k] + ' lines drawn' : '') + (found ? ', ' + found + (found > 1 ? ' findings' : ' finding') : '') + (layer.full[k] ? ', every move' : '');
      $('layer-name').textContent = text;
      $('ruler').setAttribute('aria-valuenow', layer.number[k]);
      $('ruler').setAttribute('aria-valuetext', 'layer ' + text + (moment == null ? '' : ', at ' + clock(moment)));
    }
    let due = false;
    function draw() {
      if (due) return;
      due = true;
      requestAnimationFrame(() => { due = false; state.tall = tall(); name(); caption(); drawPlan(); drawElevation(); drawRuler(); });
    }
    // Another layer: the curves are read where it starts.
    function turnTo(k) {
      setLayer(k);
      choose(span()[0], path.line[layer.path[state.k]]);
    }
    function setLayer(k) { state.k = Math.min(Math.max(k, 0), layer.number.length - 1); draw(); }

    $('ruler').setAttribute('aria-valuemin', layer.number[0]);
    $('ruler').setAttribute('aria-valuemax', layer.number[layer.number.length - 1]);
    for (const button of document.querySelectorAll('[data-colour]')) button.addEventListener('click', () => {
      quantity = button.dataset.colour;
      for (const chart of charts) chart.redraw(false, false);
      draw();
    });
    $('travel').addEventListener('click', () => { state.travel = !state.travel; draw(); });
    $('side').addEventListener('click', () => { state.side = state.side === 'x' ? 'y' : 'x'; draw(); });
    const scale = (by, px, py) => {
      const canvas = $('plan'), m = mapping(canvas.clientWidth, height()), v = state.view;
      const x = px == null ? (v.x0 + v.x1) / 2 : m.mmX(px), y = py == null ? (v.y0 + v.y1) / 2 : m.mmY(py);
      const span = (v.x1 - v.x0) * by;
      if (span < .5 || span > 1e5) return;
      state.close = true;
      state.view = { x0: x - (x - v.x0) * by, x1: x + (v.x1 - x) * by, y0: y - (y - v.y0) * by, y1: y + (v.y1 - y) * by };
      draw();
    };
    for (const button of document.querySelectorAll('[data-plan]')) button.addEventListener('click', () => ({
      in: () => scale(.6), out: () => scale(1 / .6), part: () => { state.view = partView(); state.close = false; draw(); }, machine: () => { state.view = machineView(); state.close = false; draw(); },
    })[button.dataset.plan]());
    $('plan').addEventListener('keydown', (e) => {
      if (e.ctrlKey || e.metaKey || e.altKey) return;
      const act = { ArrowUp: () => turnTo(state.k + 1), ArrowDown: () => turnTo(state.k - 1), PageUp: () => turnTo(state.k + 10), PageDown: () => turnTo(state.k - 10),
        Home: () => turnTo(0), End: () => turnTo(layer.number.length - 1), '+': () => scale(.6), '=': () => scale(.6), '-': () => scale(1 / .6) }[e.key];
      if (act) { e.preventDefault(); act(); }
    });
    $('plan').addEventListener('wheel', (e) => {
      if (!e.ctrlKey && !e.shiftKey) return;
      e.preventDefault(); scale((e.deltaY || e.deltaX) > 0 ? 1.25 : .8, e.offsetX, e.offsetY);
    }, { passive: false });
    const fingersDown = new Map();
    $('plan').addEventListener('pointerdown', (e) => { fingersDown.set(e.pointerId, [e.offsetX, e.offsetY]); $('plan').setPointerCapture(e.pointerId); });
    for (const gone of ['pointerup', 'pointercancel']) $('plan').addEventListener(gone, (e) => fingersDown.delete(e.pointerId));
    $('plan').addEventListener('pointermove', (e) => {
      const was = fingersDown.get(e.pointerId);
      if (!was) return read(e.offsetX, e.offsetY);
      const others = [...fingersDown].filter(([id]) => id !== e.pointerId);
      if (others.length) {
        const [ox, oy] = others[0][1], before = Math.hypot(was[0] - ox, was[1] - oy), now = Math.hypot(e.offsetX - ox, e.offsetY - oy);
        if (before > 5 && now > 5) scale(before / now, ox, oy);
      } else {
        const m = mapping($('plan').clientWidth, height()), dx = (was[0] - e.offsetX) / m.s, dy = (e.offsetY - was[1]) / m.s, v = state.view;
        state.close = true;
        state.view = { x0: v.x0 + dx, x1: v.x1 + dx, y0: v.y0 + dy, y1: v.y1 + dy };
        draw();
      }
      fingersDown.set(e.pointerId, [e.offsetX, e.offsetY]);
    });
    $('plan').addEventListener('click', (e) => read(e.offsetX, e.offsetY));

    function read(px, py) {
      const m = mapping($('plan').clientWidth, height());
      let best = null, near = 12;
      for (let p = layer.path[state.k]; p < layer.path[state.k + 1]; p++) {
        if (path.travel[p] && !state.travel) continue;
        for (let q = path.point[p] + 1; q < path.point[p + 1]; q++) {
          const ax = m.x(data.x[q - 1] * grid), ay = m.y(data.y[q - 1] * grid), bx = m.x(data.x[q] * grid) - ax, by = m.y(data.y[q] * grid) - ay;
          const t = Math.min(Math.max(((px - ax) * bx + (py - ay) * by) / (bx * bx + by * by || 1), 0), 1), d = Math.hypot(px - ax - bx * t, py - ay - by * t);
          if (d < near) { near = d; best = [p, q, t]; }
        }
      }
      if (!best) return;
      const [p, q, t] = best, times = passed(state.k);
      const at = times.at[q - 1 - times.start] * (1 - t) + times.at[q - times.start] * t;
      const parts = ['x ' + number(m.mmX(px), 4) + ', y ' + number(m.mmY(py), 4), path.travel[p] ? 'travel' : 'about ' + number(data.melt[q] * scaleOf('melt')) + ' mm³/s' + (quantities.melt.limit ? ', ' + Math.round(data.melt[q] * scaleOf('melt') / quantities.melt.limit * 100) + ' % of the sustained capacity' : ''),
        'about ' + number(data.speed[q] * scaleOf('speed')) + ' mm/s'];
      if (data.ringing && !path.travel[p]) parts.push('ringing about ' + number(data.ringing[q] * scaleOf('ringing')) + ' mm');
      parts.push('about ' + clock(at), 'path from line ' + path.line[p]);
      $('plan-readout').textContent = parts.join(' · ');
    }

    const pick = (e) => {
      const z = elevationMap.mm(e.offsetY);
      const off = (n) => Math.max(layer.z[n] - z, z - layer.top[n]);
      let k = 0;
      for (let n = 0; n < layer.z.length; n++) if (off(n) < off(k)) k = n;
      turnTo(k);
    };
    $('elevation').addEventListener('click', pick);

    function showPlace(f, n) {
      const one = marks.find((m) => m.f === f && m.n === n);
      if (!one) return;
      state.marked = [f, n];
      setLayer(indexOf(one.layer));
      const v = partView(), inside = one.to[0] >= v.x0 && one.to[0] <= v.x1 && one.to[1] >= v.y0 && one.to[1] <= v.y1;
      state.close = inside;
      if (!inside) state.view = machineView();
      else {
        const half = Math.max((v.x1 - v.x0) / 6, 4), halfY = half * (v.y1 - v.y0) / (v.x1 - v.x0);
        state.view = { x0: one.to[0] - half, x1: one.to[0] + half, y0: one.to[1] - halfY, y1: one.to[1] + halfY };
      }
      const drawn = layer.number[one.index] === one.layer ? '' : ' (layer ' + one.layer + ' itself is not drawn)';
      $('plan-readout').textContent = facts.findings[f].check + ' at line ' + one.line + drawn + ', ' + clock(one.at) + ', x ' + number(one.to[0], 5) + ', y ' + number(one.to[1], 5);
      draw();
    }
    state.view = partView();
    const start = facts.plan.start_layer;
    state.k = indexOf(start);
    return { draw, showPlace, showNumber: (n) => setLayer(indexOf(n)), turnBy: (layers) => turnTo(state.k + layers), span };
  })();

  for (const link of document.querySelectorAll('a[data-place]')) link.addEventListener('click', () => {
    const f = +link.dataset.finding, n = +link.dataset.place, place = facts.findings[f].places[n];
    if (plan) plan.showPlace(f, n);
    if (!place) return;
    const at = place[8], last = columnAt(place[10]), span = Math.max(Math.min(range[1] - range[0], end / 10), facts.time.stretch_s * 40);
    show(at - span / 2, at + span / 2);
    // The column inside the move where most is melted.
    let worst = columnAt(at);
    for (let k = worst + 1; k <= last; k++) if ((time.melt[k] ?? 0) > (time.melt[worst] ?? 0)) worst = k;
    choose(at, place[0]);
    readTime(worst, place[0], Math.max(at, time.x[worst]));
  });

  function all() { makeCharts(); if (plan) plan.draw(); }
  all();
  dark.addEventListener('change', all);
  let width = innerWidth;
  addEventListener('resize', () => {
    if (innerWidth !== width) { width = innerWidth; all(); } else if (plan) plan.draw();
  });
  document.documentElement.dataset.ready = '1';
})();
