// Moving files between media by drag.
'use strict';
document.querySelectorAll('li[draggable]').forEach((li) => li.addEventListener('dragstart', (e) => {
  e.dataTransfer.setData('application/x-placed', JSON.stringify({ path: li.dataset.path, name: li.dataset.name, from: li.dataset.from }));
}));
document.querySelectorAll('[data-medium]').forEach((m) => {
  m.addEventListener('dragover', (e) => { if (e.dataTransfer.types.includes('application/x-placed')) { e.preventDefault(); m.classList.add('over'); } });
  m.addEventListener('dragleave', () => m.classList.remove('over'));
  m.addEventListener('drop', async (e) => {
    e.preventDefault(); m.classList.remove('over');
    const f = JSON.parse(e.dataTransfer.getData('application/x-placed'));
    if (f.from === m.dataset.medium) return;
    const r = await post('/arrange/move', form({ ...f, to: m.dataset.medium }));
    if (r.ok) location.reload(); else say(await r.text());
  });
});
