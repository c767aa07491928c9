// Points are kept in the picture's own pixels; the drawing surface has the picture's size as its coordinates, so zoom changes nothing.
const NS = 'http://www.w3.org/2000/svg';
const NEEDED = { look: 1, place: 1, mouth: 2, length: 2, outline: Infinity };
const ROOM_FOR_NUMBERS = 430; // screen pixels, mean of both sides, below which numbers would cover the pits
const LARGEST = 12; // times the whole picture
const HINTS = {
  look: 'Tap a pit to see what is known of it. With the keyboard: N goes to the next pit, Enter opens it.',
  place: 'Tap the place. With the keyboard: arrow keys move the cross, Enter sets it.',
  mouth: 'Tap one side of the pit\'s mouth, then the side across. With the keyboard: arrow keys move the cross, Enter sets it.',
  length: 'Tap one end of the length, then the other.',
  outline: 'Tap round the area, then the first point again, or Close.',
};
const node = (name, attributes, text) => {
  const made = document.createElementNS(NS, name);
  for (const key in attributes) made.setAttribute(key, attributes[key]);
  if (text !== undefined) made.textContent = text;
  return made;
};
const layerOf = (shape) => shape.kind.split(' ').pop();
export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const find = (name) => parentElement.querySelector('.' + name);
  const [stage, frame, sheet, overview, hint, legend, strip] = ['stage', 'frame', 'sheet', 'overview', 'hint', 'legend', 'strip'].map(find);
  const [smaller, larger, whole, fill, back, close] = ['smaller', 'larger', 'whole', 'fill', 'back', 'close'].map(find);
  const image = sheet.querySelector('img'), drawing = sheet.querySelector('svg');
  const kept = frame._kept || (frame._kept = { zoom: 1, points: [], cursor: null, chosen: -1, off: new Set(), full: false });
  if (kept.picture !== data.picture) {
    image.src = data.src;
    overview.querySelector('img').src = data.src;
    Object.assign(kept, { picture: data.picture, zoom: 1, points: [], cursor: null, chosen: -1 });
  }
  const pits = data.shapes.filter((shape) => shape.id !== undefined && shape.kind !== 'mound');
  const begun = kept.mode !== undefined && kept.mode !== data.mode && data.mode !== 'look';
  if (kept.mode !== data.mode) Object.assign(kept, { mode: data.mode, points: [], cursor: null, chosen: -1 });
  const turned = kept.asked !== data.chosen;
  if (turned) { kept.asked = data.chosen; kept.chosen = pits.findIndex((shape) => shape.id === data.chosen); }
  image.alt = data.label;
  const hints = data.mode === 'look' && !pits.length ? '' : HINTS[data.mode];
  frame.setAttribute('aria-label', data.label + '. ' + hints + ' Plus and minus enlarge and shrink the picture, 0 shows all of it.');
  frame.classList.toggle('pointing', data.mode !== 'look');
  // the tools stand below all that is read first: on a phone the picture has left the screen by then
  if (begun) frame.scrollIntoView({ block: 'center' });
  drawing.setAttribute('viewBox', `0 0 ${data.width} ${data.height}`);
  const middle = (shape) => {
    const xs = shape.points.map((p) => p[0]), ys = shape.points.map((p) => p[1]);
    return [(Math.min(...xs) + Math.max(...xs)) / 2, (Math.min(...ys) + Math.max(...ys)) / 2];
  };
  const most = () => (window.innerWidth <= 640 ? 0.44 : 0.66) * window.innerHeight; // the answer stands on the same screen
  const room = () => (kept.full ? [stage.clientWidth, window.innerHeight - find('below').offsetHeight - 24] : [stage.clientWidth, most()]);
  const fitted = () => Math.min(room()[0] - 2, (room()[1] * data.width) / data.height);
  const draw = () => {
    const across = fitted() * kept.zoom;
    frame.style.height = (kept.full ? room()[1] : Math.min(room()[1], (fitted() * data.height) / data.width) + 2) + 'px';
    sheet.style.width = across + 'px';
    const roomy = across * Math.sqrt(data.height / data.width) >= ROOM_FOR_NUMBERS;
    const pixel = data.width / Math.max(across, 1); // picture pixels to one screen pixel
    const parts = [], numbers = [];
    for (const shape of data.shapes) {
      if (kept.off.has(layerOf(shape))) continue;
      const points = shape.points.map((p) => p.join(',')).join(' ');
      const chosen = pits.indexOf(shape) === kept.chosen && kept.chosen >= 0;
      if (shape.kind !== 'outline') parts.push(node('polygon', { points, class: 'halo' + (chosen ? ' chosen' : '') }));
      parts.push(node('polygon', { points, class: shape.kind + (chosen ? ' chosen' : ''), 'data-id': shape.id ?? '' }));
      if (pits.includes(shape) && (roomy || chosen)) {
        const x = Math.max(...shape.points.map((p) => p[0])), y = Math.min(...shape.points.map((p) => p[1]));
        const left = x + 30 * pixel > data.width; // no room at its right
        numbers.push(node('text', {
          x: left ? Math.min(...shape.points.map((p) => p[0])) - pixel : x + pixel, y: Math.max(y - pixel, 12 * pixel),
          'text-anchor': left ? 'end' : 'start', 'font-size': (chosen ? 15 : 12) * pixel, 'stroke-width': 3 * pixel,
        }, shape.id));
      }
    }
    parts.push(...numbers);
    if (kept.points.length) parts.push(node(data.mode === 'outline' ? 'polygon' : 'polyline', { points: kept.points.map((p) => p.join(',')).join(' '), class: 'drawn' }));
    for (const p of kept.points) parts.push(node('circle', { cx: p[0], cy: p[1], r: 5 * pixel, class: 'drawn' }));
    if (kept.cursor) {
      const [x, y] = kept.cursor, reach = 16 * pixel;
      parts.push(node('path', { d: `M${x - reach},${y}h${2 * reach}M${x},${y - reach}v${2 * reach}`, class: 'cursor' }));
    }
    drawing.replaceChildren(...parts);
    smaller.disabled = whole.disabled = kept.zoom <= 1;
    larger.disabled = kept.zoom >= LARGEST;
    back.hidden = !kept.points.length;
    close.hidden = data.mode !== 'outline' || kept.points.length < 3;
    if (!kept.said) hint.textContent = hints.split(' With the keyboard')[0];
    for (const button of strip.children) button.setAttribute('aria-pressed', String(kept.chosen >= 0 && pits[kept.chosen].id === Number(button.dataset.id)));
    survey();
  };
  // where the part that is seen lies in the whole picture
  const survey = () => {
    const box = overview.querySelector('i'), seen = [frame.clientWidth / sheet.clientWidth, frame.clientHeight / sheet.clientHeight];
    overview.hidden = kept.zoom < 1.5;
    const share = (value) => (100 * Math.min(1, Math.max(0, value))).toFixed(1) + '%';
    Object.assign(box.style, {
      left: share(frame.scrollLeft / sheet.clientWidth), top: share(frame.scrollTop / sheet.clientHeight), width: share(seen[0]), height: share(seen[1]),
    });
  };
  frame.onscroll = survey;
  legend.replaceChildren(...data.legend.map(([kind, words]) => {
    const item = document.createElement('button'), mark = document.createElement('i');
    item.type = 'button';
    item.title = 'Show or hide';
    mark.className = 'swatch ' + kind;
    item.append(mark, words);
    item.setAttribute('aria-pressed', String(!kept.off.has(kind)));
    item.onclick = () => {
      if (!kept.off.delete(kind)) kept.off.add(kind);
      item.setAttribute('aria-pressed', String(!kept.off.has(kind)));
      draw();
    };
    return item;
  }));
  strip.hidden = !(data.rows || []).length;
  strip.replaceChildren(...(data.rows || []).map(([id, words]) => {
    const item = document.createElement('button'), number = document.createElement('b');
    item.type = 'button';
    item.dataset.id = id;
    number.textContent = id;
    item.append(number, ' ' + words);
    item.onclick = () => choose(Number(id));
    item.onmouseenter = () => { kept.chosen = pits.findIndex((shape) => shape.id === Number(id)); draw(); };
    item.onmouseleave = () => { kept.chosen = pits.findIndex((shape) => shape.id === data.chosen); draw(); };
    return item;
  }));
  const say = (words) => { kept.said = words; hint.textContent = words; };
  const give = (extra) => {
    const points = kept.points.map((p) => p.map((c) => Math.round(c * 10) / 10));
    Object.assign(kept, { points: [], cursor: null, said: '' });
    draw();
    setTriggerValue('event', { mode: data.mode, points, pit: null, ...extra });
  };
  const show = (id) => { // brings a pit into the part that is seen
    const shape = pits.find((one) => one.id === id);
    if (!shape || kept.zoom <= 1) return;
    const [x, y] = middle(shape);
    frame.scrollTo((x / data.width) * sheet.clientWidth - frame.clientWidth / 2, (y / data.height) * sheet.clientHeight - frame.clientHeight / 2);
  };
  const choose = (id) => {
    kept.chosen = pits.findIndex((shape) => shape.id === id);
    if (kept.full) filled(false);
    draw();
    show(id);
    give({ pit: id, points: [] });
  };
  const nearestPit = (place, reach) => {
    let best = null, least = reach;
    for (const shape of pits) {
      if (kept.off.has(layerOf(shape))) continue;
      const [x, y] = middle(shape);
      const xs = shape.points.map((p) => p[0]);
      const distance = Math.hypot(place[0] - x, place[1] - y) - (Math.max(...xs) - Math.min(...xs)) / 2;
      if (distance < least) { least = distance; best = shape; }
    }
    return best;
  };
  const add = (place) => {
    const box = drawing.getBoundingClientRect();
    if (data.mode === 'look') {
      if (!pits.length) return;
      const found = nearestPit(place, (24 * data.width) / box.width); // a fingertip is some 24 screen pixels off
      if (found) choose(found.id);
      else if (data.chosen !== null && data.chosen !== undefined) { kept.chosen = -1; give({ points: [] }); }
      else say('No pit is outlined there. ' + (data.missed || ''));
      return;
    }
    const first = kept.points[0];
    if (data.mode === 'outline' && kept.points.length > 2 && Math.hypot(place[0] - first[0], place[1] - first[1]) < (18 * data.width) / box.width) return give({});
    kept.points.push(place);
    if (kept.points.length >= NEEDED[data.mode]) give({}); else draw();
  };
  // what lies at (x, y) of the frame, by default its middle, stays there
  const zoom = (factor, x = frame.clientWidth / 2, y = frame.clientHeight / 2) => {
    const share = [(frame.scrollLeft + x - sheet.offsetLeft) / sheet.clientWidth, (frame.scrollTop + y - sheet.offsetTop) / sheet.clientHeight];
    kept.zoom = Math.min(LARGEST, Math.max(1, kept.zoom * factor));
    kept.said = '';
    draw();
    frame.scrollTo(sheet.offsetLeft + share[0] * sheet.clientWidth - x, sheet.offsetTop + share[1] * sheet.clientHeight - y);
    survey();
  };
  const filled = (on) => {
    kept.full = on;
    stage.parentElement.classList.toggle('full', on);
    fill.textContent = on ? 'Back to the page' : 'Fill the screen';
    kept.zoom = 1;
    draw();
  };
  const takeBack = () => { kept.points.pop(); draw(); };
  larger.onclick = () => zoom(1.6);
  smaller.onclick = () => zoom(1 / 1.6);
  whole.onclick = () => zoom(0);
  fill.onclick = () => { filled(!kept.full); fill.focus(); };
  back.onclick = takeBack;
  close.onclick = () => give({});
  const within = (event) => { const box = frame.getBoundingClientRect(); return [event.clientX - box.left, event.clientY - box.top]; };
  frame.onwheel = (event) => { // with Ctrl, as a pinch on a touchpad comes; without it the page goes on
    if (!event.ctrlKey) return;
    event.preventDefault();
    zoom(Math.exp(-event.deltaY / 200), ...within(event));
  };
  // Two fingers: the place between them stays between them.
  const apart = (event) => {
    const [a, b] = event.touches;
    return [Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY), { clientX: (a.clientX + b.clientX) / 2, clientY: (a.clientY + b.clientY) / 2 }];
  };
  let span = 0;
  const pinchBegins = (event) => { if (event.touches.length === 2) { span = apart(event)[0]; event.preventDefault(); } };
  const pinchGoesOn = (event) => {
    if (event.touches.length !== 2 || !span) return;
    event.preventDefault();
    const [now, between] = apart(event);
    zoom(now / span, ...within(between));
    span = now;
  };
  const pinchEnds = () => { span = 0; };
  frame.addEventListener('touchstart', pinchBegins, { passive: false });
  frame.addEventListener('touchmove', pinchGoesOn, { passive: false });
  frame.addEventListener('touchend', pinchEnds);
  // A mouse takes hold of the enlarged picture; a finger scrolls it by itself.
  let hold = null, moved = false;
  frame.onpointerdown = (event) => {
    moved = false;
    if (event.pointerType === 'mouse' && event.button === 0 && kept.zoom > 1) hold = [event.clientX, event.clientY, frame.scrollLeft, frame.scrollTop];
  };
  frame.onpointermove = (event) => {
    if (!hold) return;
    const [dx, dy] = [event.clientX - hold[0], event.clientY - hold[1]];
    if (Math.hypot(dx, dy) > 5) moved = true;
    if (moved) frame.scrollTo(hold[2] - dx, hold[3] - dy);
  };
  frame.onpointerup = frame.onpointerleave = () => { hold = null; };
  drawing.onclick = (event) => {
    if (moved) { moved = false; return; }
    frame.focus({ preventScroll: true });
    const box = drawing.getBoundingClientRect();
    add([((event.clientX - box.left) / box.width) * data.width - 0.5, ((event.clientY - box.top) / box.height) * data.height - 0.5]);
  };
  frame.onkeydown = (event) => {
    const step = (event.shiftKey ? 0.05 : 0.005) * data.width;
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === '+' || event.key === '=') zoom(1.6);
    else if (event.key === '-') zoom(1 / 1.6);
    else if (event.key === '0') zoom(0);
    else if (event.key === 'Escape' && kept.full && !kept.points.length) filled(false);
    else if (data.mode === 'look' && (event.key === 'n' || event.key === 'N') && pits.length) {
      kept.chosen = (kept.chosen + (event.shiftKey ? pits.length - 1 : 1)) % pits.length;
      say(`Pit ${pits[kept.chosen].id}. Enter opens it.`);
      draw();
      show(pits[kept.chosen].id);
    } else if (data.mode === 'look' && event.key === 'Enter' && kept.chosen >= 0) choose(pits[kept.chosen].id);
    else if (data.mode === 'look') return;
    else if (event.key === 'Escape') { Object.assign(kept, { points: [], cursor: null, chosen: -1, said: '' }); draw(); }
    else if (event.key === 'Backspace') takeBack();
    else if (moves[event.key]) {
      const at = kept.cursor || [data.width / 2, data.height / 2], move = moves[event.key];
      kept.cursor = [Math.min(data.width - 1, Math.max(0, at[0] + move[0])), Math.min(data.height - 1, Math.max(0, at[1] + move[1]))];
      draw();
    } else if (event.key === 'Enter') {
      if (data.mode === 'outline' && kept.points.length > 2 && !kept.cursor) give({});
      else if (kept.cursor) { const at = kept.cursor; add(at); if (kept.points.length) kept.cursor = at; draw(); }
      else return;
    } else return;
    event.preventDefault();
  };
  kept.said = '';
  const watch = new ResizeObserver(() => { if (stage.clientWidth !== kept.wide) { kept.wide = stage.clientWidth; draw(); } });
  watch.observe(stage);
  draw();
  if (turned && data.chosen) show(data.chosen);
  return () => {
    watch.disconnect();
    frame.removeEventListener('touchstart', pinchBegins);
    frame.removeEventListener('touchmove', pinchGoesOn);
    frame.removeEventListener('touchend', pinchEnds);
  };
}
