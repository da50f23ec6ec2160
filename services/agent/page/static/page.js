// Spares the reload after a touch, counts time, and tells of the other tablet.
// Without it the same forms work.
'use strict';
(() => {
  const live = () => document.getElementById('live');
  const show = (id, on) => { document.getElementById(id).hidden = !on; };
  let ahead = 0; // the agent's clock before the tablet's, ms

  const readClock = () => {
    const now = Number(live().dataset.now);
    if (now) ahead = now - Date.now();
  };

  // Put a newer sheet in place of the one that is shown. What is unfolded stays
  // so, and what is being typed stays.
  const swap = (text) => {
    const next = new DOMParser().parseFromString(text, 'text/html').getElementById('live');
    if (!next || Number(next.dataset.version || 0) < Number(live().dataset.version || 0)) return;
    const open = [...live().querySelectorAll('details[open]')].map((d) => d.id);
    const typed = [];
    for (const f of live().querySelectorAll('form[id]')) {
      for (const e of f.elements) {
        if (!e.name || e.type === 'hidden' || e.tagName === 'BUTTON') continue;
        typed.push([f.id, e.name, e.value, e.type === 'radio' || e.type === 'checkbox' ? e.checked : null]);
      }
    }
    const focus = document.activeElement && document.activeElement.id;
    live().replaceWith(document.importNode(next, true));
    if (next.dataset.live) {
      for (const id of open) { const d = document.getElementById(id); if (d) d.open = true; }
      for (const [form, name, value, checked] of typed) {
        const f = document.getElementById(form);
        for (const e of f ? f.elements : []) {
          if (e.name !== name) continue;
          if (checked === null) e.value = value;
          else if (e.value === value) e.checked = checked;
        }
      }
    }
    if (focus && document.getElementById(focus)) document.getElementById(focus).focus({ preventScroll: true });
    readClock();
    tick();
  };

  let asking = false, again = false;
  const refresh = async () => {
    if (!live().dataset.live) return;
    if (asking) { again = true; return; }
    asking = true;
    try {
      const r = await fetch(location.pathname, { credentials: 'same-origin' });
      if (r.ok) swap(await r.text());
    } catch { /* the stream says that the link is gone */ }
    asking = false;
    if (again) { again = false; refresh(); }
  };

  // A touch is sent without leaving the page: a tablet that has lost its link
  // says so instead of showing the browser's own error.
  document.addEventListener('submit', async (event) => {
    const form = event.target, button = event.submitter;
    if ('plain' in form.dataset || button === undefined) return;
    event.preventDefault();
    if (form.dataset.busy) return;
    form.dataset.busy = '1';
    const data = new URLSearchParams(new FormData(form));
    if (button && button.name) data.append(button.name, button.value);
    if (button) button.disabled = true;
    try {
      const r = await fetch(form.action, { method: 'POST', body: data, credentials: 'same-origin' });
      if (!r.ok) throw new Error(String(r.status));
      show('unsent', false);
      if (new URL(r.url).pathname !== location.pathname) { location.assign(r.url); return; }
      form.removeAttribute('id'); // what was sent is typed no more
      swap(await r.text());
      if (!live().dataset.live) window.scrollTo(0, 0);
    } catch {
      show('unsent', true);
      document.getElementById('unsent').scrollIntoView({ block: 'center' });
    }
    delete form.dataset.busy;
    if (button) button.disabled = false;
  });

  const two = (n) => String(n).padStart(2, '0');
  const tick = () => {
    const now = Date.now() + ahead;
    for (const e of document.querySelectorAll('[data-since]')) {
      const s = Math.max(0, Math.floor((now - Number(e.dataset.since)) / 1000));
      e.textContent = Math.floor(s / 3600) + ':' + two(Math.floor(s / 60) % 60) + ':' + two(s % 60);
    }
    for (const e of document.querySelectorAll('[data-until]')) {
      if (now > Number(e.dataset.until)) { e.remove(); refresh(); }
    }
  };

  readClock();
  tick();
  setInterval(tick, 1000);
  setInterval(refresh, 20000);
  if (live().dataset.live) {
    let beat = Date.now();
    const heard = () => { beat = Date.now(); show('link', false); };
    const listen = () => {
      const stream = new EventSource(live().dataset.live);
      stream.onopen = () => { heard(); show('unsent', false); refresh(); };
      stream.onmessage = (e) => { heard(); if (e.data !== live().dataset.version) refresh(); };
      stream.onerror = () => {
        show('link', true);
        if (stream.readyState === EventSource.CLOSED) { stream.close(); setTimeout(listen, 1000); }
      };
    };
    listen();
    setInterval(() => { if (Date.now() - beat > 25000) show('link', true); }, 2000);
    document.addEventListener('visibilitychange', () => { if (!document.hidden) refresh(); });
  }
})();
