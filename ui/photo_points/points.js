// Points are kept in the picture's own pixels; the drawing surface has the picture's size as its coordinates, so zoom changes nothing.
const NS = 'http://www.w3.org/2000/svg';
const NEEDED = { pit: 1, place: 1, mouth: 2, length: 2, outline: Infinity };
const ROOM_FOR_NUMBERS = 430; // screen pixels, mean of both sides, below which numbers would cover the pits
const HINTS = {
  look: '',
  pit: 'Tap a pit. With the keyboard: N goes to the next pit, Enter chooses it.',
  place: 'Tap the middle of the pit. With the keyboard: arrow keys move the cross, Enter sets it.',
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
export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const find = (name) => parentElement.querySelector('.' + name);
  const frame = find('frame'), sheet = find('sheet'), hint = find('hint'), legend = find('legend');
  const [smaller, larger, back, close] = ['smaller', 'larger', 'back', 'close'].map(find);
  const image = sheet.querySelector('img'), drawing = sheet.querySelector('svg');
  const kept = frame._kept || (frame._kept = { zoom: 1, points: [], cursor: null, chosen: -1 });
  if (kept.picture !== data.picture) {
    image.src = data.src;
    Object.assign(kept, { picture: data.picture, zoom: 1, points: [], cursor: null, chosen: -1 });
  }
  const begun = kept.mode !== data.mode && data.mode !== 'look';
  if (kept.mode !== data.mode) Object.assign(kept, { mode: data.mode, points: [], cursor: null, chosen: -1 });
  image.alt = data.label;
  frame.setAttribute('aria-label', data.label + '. ' + HINTS[data.mode] + ' Plus and minus enlarge and shrink the picture.');
  frame.classList.toggle('pointing', data.mode !== 'look');
  frame.style.touchAction = data.mode === 'look' ? 'auto' : 'manipulation';
  // the tools stand below all that is read first: on a phone the picture has left the screen by then
  if (begun) frame.scrollIntoView({ block: 'center' });
  drawing.setAttribute('viewBox', `0 0 ${data.width} ${data.height}`);
  legend.replaceChildren(...data.legend.map(([kind, words]) => {
    const item = document.createElement('span'), mark = document.createElement('i');
    mark.className = 'swatch ' + kind;
    item.append(mark, words);
    return item;
  }));
  const pits = data.shapes.filter((shape) => shape.id !== undefined && shape.kind !== 'mound');
  const middle = (shape) => {
    const xs = shape.points.map((p) => p[0]), ys = shape.points.map((p) => p[1]);
    return [(Math.min(...xs) + Math.max(...xs)) / 2, (Math.min(...ys) + Math.max(...ys)) / 2];
  };
  const most = () => (window.innerWidth <= 640 ? 0.44 : 0.66) * window.innerHeight; // the answer stands on the same screen
  const fitted = () => Math.min(frame.clientWidth, (most() * data.width) / data.height);
  const draw = () => {
    const across = fitted() * kept.zoom;
    sheet.style.width = across + 'px';
    const roomy = across * Math.sqrt(data.height / data.width) >= ROOM_FOR_NUMBERS;
    const pixel = data.width / Math.max(across, 1); // picture pixels to one screen pixel
    const parts = [], numbers = [];
    for (const shape of data.shapes) {
      const points = shape.points.map((p) => p.join(',')).join(' ');
      if (shape.kind !== 'outline') parts.push(node('polygon', { points, class: 'halo' }));
      const chosen = pits.indexOf(shape) === kept.chosen && kept.chosen >= 0;
      parts.push(node('polygon', { points, class: shape.kind + (chosen ? ' chosen' : ''), 'data-id': shape.id ?? '' }));
      if (pits.includes(shape) && (roomy || chosen)) {
        const x = Math.max(...shape.points.map((p) => p[0])), y = Math.min(...shape.points.map((p) => p[1]));
        numbers.push(node('text', { x: x + pixel, y: y - pixel, 'font-size': 12 * pixel, 'stroke-width': 3 * pixel }, shape.id));
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
    smaller.disabled = kept.zoom <= 1;
    larger.disabled = kept.zoom >= 8;
    back.hidden = !kept.points.length;
    close.hidden = data.mode !== 'outline' || kept.points.length < 3;
    if (!kept.said) hint.textContent = HINTS[data.mode] || (!roomy && pits.length ? 'Enlarge the picture to read the pit numbers.' : '');
  };
  const say = (words) => { kept.said = words; hint.textContent = words; };
  const give = (extra) => {
    const points = kept.points.map((p) => p.map((c) => Math.round(c * 10) / 10));
    Object.assign(kept, { points: [], cursor: null, said: '' });
    draw();
    setTriggerValue('event', { mode: data.mode, points, pit: null, ...extra });
  };
  const nearestPit = (place, reach) => {
    let best = null, least = reach;
    for (const shape of pits) {
      const [x, y] = middle(shape);
      const xs = shape.points.map((p) => p[0]);
      const distance = Math.hypot(place[0] - x, place[1] - y) - (Math.max(...xs) - Math.min(...xs)) / 2;
      if (distance < least) { least = distance; best = shape; }
    }
    return best;
  };
  const add = (place) => {
    if (data.mode === 'look') return;
    if (data.mode === 'pit') {
      const box = drawing.getBoundingClientRect();
      const found = nearestPit(place, (24 * data.width) / box.width); // a fingertip is some 24 screen pixels off
      if (found) give({ pit: found.id, points: [] });
      else say('No pit there. ' + HINTS.pit);
      return;
    }
    const first = kept.points[0], box = drawing.getBoundingClientRect();
    if (data.mode === 'outline' && kept.points.length > 2 && Math.hypot(place[0] - first[0], place[1] - first[1]) < (18 * data.width) / box.width) return give({});
    kept.points.push(place);
    if (kept.points.length >= NEEDED[data.mode]) give({}); else draw();
  };
  const zoom = (factor) => {
    const before = sheet.clientWidth, x = frame.scrollLeft + frame.clientWidth / 2, y = frame.scrollTop + frame.clientHeight / 2;
    kept.zoom = Math.min(8, Math.max(1, kept.zoom * factor));
    kept.said = '';
    draw();
    const grown = sheet.clientWidth / Math.max(before, 1); // what was in the middle stays there
    frame.scrollTo(x * grown - frame.clientWidth / 2, y * grown - frame.clientHeight / 2);
  };
  const takeBack = () => { kept.points.pop(); draw(); };
  larger.onclick = () => zoom(1.6);
  smaller.onclick = () => zoom(1 / 1.6);
  back.onclick = takeBack;
  close.onclick = () => give({});
  drawing.onclick = (event) => {
    frame.focus({ preventScroll: true });
    const box = drawing.getBoundingClientRect();
    add([((event.clientX - box.left) / box.width) * data.width - 0.5, ((event.clientY - box.top) / box.height) * data.height - 0.5]);
  };
  frame.onkeydown = (event) => {
    const step = (event.shiftKey ? 0.05 : 0.005) * data.width;
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (event.key === '+' || event.key === '=') zoom(1.6);
    else if (event.key === '-') zoom(1 / 1.6);
    else if (data.mode === 'look') return;
    else if (event.key === 'Escape') { Object.assign(kept, { points: [], cursor: null, chosen: -1, said: '' }); draw(); }
    else if (event.key === 'Backspace') takeBack();
    else if (data.mode === 'pit' && (event.key === 'n' || event.key === 'N') && pits.length) {
      kept.chosen = (kept.chosen + (event.shiftKey ? pits.length - 1 : 1)) % pits.length;
      say(`Pit ${pits[kept.chosen].id}. Enter chooses it.`);
      draw();
    } else if (data.mode === 'pit' && event.key === 'Enter' && kept.chosen >= 0) give({ pit: pits[kept.chosen].id, points: [] });
    else if (moves[event.key] && data.mode !== 'pit') {
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
  const watch = new ResizeObserver(() => { if (frame.clientWidth !== kept.wide) { kept.wide = frame.clientWidth; draw(); } });
  watch.observe(frame);
  draw();
  return () => watch.disconnect();
}
