// Keeps the part of a page alive that changes while one looks. Without it the page says the same until it is loaded again.
(() => {
  const main = document.querySelector('main[data-live]');
  const part = document.getElementById('live');
  const said = document.getElementById('live-said');
  if (!main || !part || !said) return;
  const fresh = said.dataset.fresh ?? 'This is kept up to date.';
  const lost = said.dataset.lost ?? 'The connection is lost; it is tried again. What is shown may be old.';
  const say = (text) => { if (said.textContent !== text) said.textContent = text; }; // said again it would be read out again
  let stream, waiting, down = false;

  // What a reader has scrolled to or stands on is found again by its name.
  const name = (e) => e.id || e.getAttribute('href') || e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') || '';
  const same = (list, key) => (key ? [...list].find((e) => name(e) === key) : undefined);
  const held = () => {
    const chosen = getSelection();
    return down || !!chosen && !chosen.isCollapsed && part.contains(chosen.anchorNode);
  };
  const show = () => {
    const next = document.createElement('template');
    next.innerHTML = waiting;
    if (next.innerHTML.trim() === part.innerHTML.trim()) { waiting = undefined; return; }
    if (held()) { setTimeout(() => { if (waiting !== undefined) show(); }, 500); return; } // not under the reader's hand
    waiting = undefined;
    const at = [...part.querySelectorAll('.scroll')].map((e) => [name(e), e.scrollLeft]);
    const on = part.contains(document.activeElement) ? name(document.activeElement) : '';
    part.replaceChildren(next.content);
    for (const [key, left] of at) { const e = same(part.querySelectorAll('.scroll'), key); if (e) e.scrollLeft = left; }
    same(part.querySelectorAll('a, [tabindex]'), on)?.focus({ preventScroll: true });
  };
  const begin = () => {
    stream = new EventSource(main.dataset.live);
    stream.addEventListener('part', (e) => { waiting = e.data; show(); say(fresh); });
    stream.addEventListener('trouble', (e) => say(said.dataset.lost ? e.data + '.' : e.data + '. What is shown may be old.'));
    stream.addEventListener('over', () => { stream.close(); say(''); location.reload(); });
    stream.onopen = () => { if (said.textContent === lost) say(''); };
    stream.onerror = () => say(stream.readyState === EventSource.CLOSED ? 'This is not kept up to date: load the page again.' : lost);
  };
  begin();
  addEventListener('pointerdown', (e) => { down = part.contains(e.target); });
  for (const end of ['pointerup', 'pointercancel', 'blur']) addEventListener(end, () => { down = false; });
  addEventListener('pagehide', () => stream.close());
  addEventListener('pageshow', (e) => { if (e.persisted) begin(); });
})();
