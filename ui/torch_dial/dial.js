// For each photo a card with the marks that are printed on it; a tap says from which mark the torch shone.
export default function (component) {
  const { data, parentElement, setStateValue } = component;
  const root = parentElement.querySelector('.dials');
  const kept = root._kept || (root._kept = {});
  for (const photo of data.photos) if (!(photo.key in kept)) kept[photo.key] = null;
  const tell = () => setStateValue('places', data.photos.map((photo) => kept[photo.key]));
  const side = (mark) => ({ 0: 'right', 90: 'top', 180: 'left', 270: 'bottom' }[mark] || '');
  root.replaceChildren(...data.photos.map((photo) => {
    const row = document.createElement('div'), image = document.createElement('img'), dial = document.createElement('div');
    row.className = 'row';
    image.src = photo.src;
    image.alt = photo.name;
    dial.className = 'dial';
    dial.setAttribute('role', 'group');
    dial.setAttribute('aria-label', 'Where the torch was for ' + photo.name);
    const card = document.createElement('span');
    card.className = 'card';
    dial.append(card);
    const beam = document.createElement('span');
    beam.className = 'beam';
    const turn = () => {
      beam.hidden = kept[photo.key] === null;
      beam.style.transform = `rotate(${-(kept[photo.key] ?? 0)}deg)`;
      card.textContent = kept[photo.key] === null ? 'torch?' : '';
    };
    dial.append(beam);
    for (const mark of data.marks) {
      const button = document.createElement('button');
      button.type = 'button';
      button.textContent = mark;
      const angle = (mark * Math.PI) / 180;
      button.style.left = 50 + 41 * Math.cos(angle) + '%';
      button.style.top = 50 - 41 * Math.sin(angle) + '%';
      button.setAttribute('aria-label', `mark ${mark}${side(mark) ? ', ' + side(mark) : ''}`);
      button.setAttribute('aria-pressed', String(kept[photo.key] === mark));
      button.onclick = () => {
        kept[photo.key] = mark;
        for (const other of dial.querySelectorAll('button')) other.setAttribute('aria-pressed', String(other === button));
        turn();
        tell();
      };
      dial.append(button);
    }
    turn();
    row.append(image, dial);
    return row;
  }));
}
