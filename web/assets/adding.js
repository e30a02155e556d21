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
  let next = 0, faults = 0, done = 0;
  const one = async () => {
    while (next < list.length) {
      const [path, file] = list[next++];
      let text, ok = false;
      try {
        const r = await post(url + '?path=' + encodeURIComponent(path), file, 'application/octet-stream');
        text = await r.text(); ok = r.ok;
      } catch (e) { text = path + ': could not be sent: ' + e.message; }
      done++;
      if (!ok) faults++;
      if (!ok || done <= 200) { const li = document.createElement('li'); li.textContent = text; if (!ok) li.className = 'fault'; shown.append(li); }
    }
  };
  await Promise.all([one(), one(), one(), one()]);
  if (faults) say(done - faults + ' files added, ' + faults + ' not; the reasons are in the list. Load the page again to see all files.');
  else location.reload();
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
