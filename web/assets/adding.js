// Adding files: dropped files and folders, or chosen ones; four at a time.
'use strict';
async function entries(entry, prefix, out) {
  if (entry.isFile) {
    out.push([prefix + entry.name, await new Promise((ok, no) => entry.file(ok, no))]);
    return;
  }
  const reader = entry.createReader();
  for (;;) {
    const some = await new Promise((ok, no) => reader.readEntries(ok, no));
    if (!some.length) return;
    for (const e of some) await entries(e, prefix + entry.name + '/', out);
  }
}
async function send(list, url) {
  const shown = $('#arrived');
  let next = 0, added = 0, refused = 0, lines = 0;
  const line = (text, fault) => { const li = document.createElement('li'); li.textContent = text; if (fault) li.className = 'fault'; if (fault || lines++ < 200) shown.append(li); };
  shown.replaceChildren();
  const one = async () => {
    while (next < list.length) {
      const [path, file] = list[next++];
      let text, ok = false, some = 0, not = 1;
      try {
        const r = await post(url + '?path=' + encodeURIComponent(path), file, 'application/octet-stream');
        text = await r.text(); ok = r.ok;
        some = Number(r.headers.get('X-Added') || (ok ? 1 : 0)); // a zip counts as the files in it
        not = Number(r.headers.get('X-Refused') || (ok ? 0 : 1));
      } catch (e) { text = path + ': could not be sent: ' + e.message; }
      added += some; refused += not;
      text.trim().split('\n').forEach((l, i) => line(l, !ok && (i > 0 || !some)));
    }
  };
  await Promise.all([one(), one(), one(), one()]);
  if (!refused) { location.reload(); return; }
  for (const li of [...shown.children]) if (li.className !== 'fault') li.remove(); // what was added is in the table
  const sum = added + (added === 1 ? ' file' : ' files') + ' added, ' + refused + ' refused';
  const head = document.createElement('li'); head.textContent = sum + ':'; shown.prepend(head);
  try {
    const r = await fetch(location.href), page = new DOMParser().parseFromString(await r.text(), 'text/html');
    const now = $('#gathered'), then = page.querySelector('#gathered');
    if (!r.ok || !now || !then) throw new Error();
    now.replaceWith(document.adoptNode(then));
    say(sum + '; the reasons are in the list.');
  } catch (e) { say(sum + '; the reasons are in the list. Load the page again to see all files.'); }
}
const put = $('form[data-put]');
if (put) {
  const zone = $('#drop');
  put.addEventListener('submit', (e) => { e.preventDefault(); const f = [...put.querySelector('[type=file]').files].map((x) => [x.webkitRelativePath || x.name, x]); if (f.length) send(f, put.dataset.put); });
  zone.addEventListener('dragover', (e) => { e.preventDefault(); zone.classList.add('over'); });
  zone.addEventListener('dragleave', () => zone.classList.remove('over'));
  zone.addEventListener('drop', async (e) => {
    e.preventDefault(); zone.classList.remove('over');
    const list = [], tops = [...e.dataTransfer.items].map((i) => i.webkitGetAsEntry && i.webkitGetAsEntry());
    const plain = [...e.dataTransfer.files];
    for (let i = 0; i < Math.max(tops.length, plain.length); i++) {
      if (tops[i]) await entries(tops[i], '', list); else if (plain[i]) list.push([plain[i].name, plain[i]]);
    }
    send(list, put.dataset.put);
  });
}
