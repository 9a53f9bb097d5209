// Moves an order by dragging its length to another machine, or with the arrow
// keys from its row of the table. It only fills in the form: the page shows
// the effect, and nothing is written before it is kept.
(() => {
  'use strict';
  const rows = [...document.querySelectorAll('[data-machine]')];
  const say = document.getElementById('moving');
  const field = document.getElementById('so-far');
  const mark = row => rows.forEach(r => r.classList.toggle('aim', r === row));
  const go = (order, machine) => {
    const q = new URLSearchParams(new FormData(field.form));
    q.set('add', 'move');
    q.set('order', order);
    q.set('machine', machine);
    location.href = '/loading?' + q;
  };
  let held = null;
  document.addEventListener('pointerdown', e => {
    const order = e.target.closest && e.target.closest('[data-order]');
    if (!order || e.button) return;
    held = {order: order.dataset.order, from: order.closest('[data-machine]')};
    e.preventDefault();
  });
  const under = e => {
    const at = document.elementFromPoint(e.clientX, e.clientY);
    return at && at.closest('[data-machine]');
  };
  document.addEventListener('pointermove', e => { if (held) mark(under(e)); });
  document.addEventListener('pointerup', e => {
    if (!held) return;
    const row = under(e);
    if (row && row !== held.from) go(held.order, row.dataset.machine);
    held = null;
    mark(null);
  });
  document.addEventListener('pointercancel', () => { held = null; mark(null); });
  document.addEventListener('keydown', e => {
    const button = e.target.closest && e.target.closest('[data-move]');
    if (!button) return;
    let at = rows.findIndex(r => r.classList.contains('aim'));
    if (at < 0) at = rows.findIndex(r => r.dataset.name === button.dataset.from);
    if (e.key === 'ArrowDown' || e.key === 'ArrowUp') {
      at = Math.min(rows.length - 1, Math.max(0, at + (e.key === 'ArrowDown' ? 1 : -1)));
      mark(rows[at]);
      say.textContent = button.dataset.move + ' to ' + rows[at].dataset.name + ': press Enter to see the effect';
      e.preventDefault();
    } else if (e.key === 'Escape') {
      mark(null);
      say.textContent = '';
    } else if (e.key === 'Enter' && rows[at] && rows[at].classList.contains('aim')) {
      go(button.dataset.move, rows[at].dataset.machine);
      e.preventDefault();
    }
  });
  // A search under way: how far it is, and on to its plan when it is done. The
  // button that stops it keeps the focus, since only what is told is renewed.
  let told = document.getElementById('search');
  const look = async () => {
    if (!told || told.dataset.runs !== 'true') return;
    try {
      const answer = await fetch(location.href, {cache: 'no-store'});
      if (answer.redirected) { location.replace(answer.url); return; }
      const next = new DOMParser().parseFromString(await answer.text(), 'text/html').getElementById('search');
      if (!next || next.dataset.runs !== 'true') { location.reload(); return; }
      told.replaceWith(next);
      told = next;
    } catch { /* the line is down: it is asked again */ }
    setTimeout(look, 700);
  };
  setTimeout(look, 700);
})();
