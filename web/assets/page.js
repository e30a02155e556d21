// The page's own script. Every form works without it; here it only becomes quicker. Playing with level and polarity,
// and recording, need it by nature.
'use strict';
const $ = (s) => document.querySelector(s);
const token = $('meta[name=token]').content;
const post = (url, body, type) => fetch(url, { method: 'POST', body, headers: type ? { 'X-Token': token, 'Content-Type': type } : { 'X-Token': token } });
const form = (o) => new URLSearchParams({ ...o, token });
let hush;
function say(text) { const s = $('#said'); s.textContent = text; clearTimeout(hush); hush = setTimeout(() => { s.textContent = ''; }, 8000); }
const clock = (s) => Math.floor(s / 60) + ':' + (s % 60).toFixed(1).padStart(4, '0');

// Adding files: dropped files and folders, or chosen ones; four at a time.
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

// Bytes and fields.
const hex = $('#hex'), fields = $('#fields');
if (hex && fields) {
  const mark = (e) => {
    const a = e.target.closest('a[data-f]');
    if (!a) return;
    e.preventDefault();
    document.querySelectorAll('.on').forEach((x) => { x.classList.remove('on'); x.removeAttribute('aria-current'); });
    document.querySelectorAll('[data-f="' + a.dataset.f + '"]').forEach((x) => x.classList.add('on'));
    const f = fields.querySelector('[data-f="' + a.dataset.f + '"]');
    if (f) { f.setAttribute('aria-current', 'true'); $('#named').textContent = f.querySelector('b').textContent + ': ' + f.querySelector('span').textContent; }
    const other = a.closest('#hex') ? f : hex.querySelector('[data-f="' + a.dataset.f + '"]');
    if (other) other.scrollIntoView({ block: 'nearest' });
  };
  hex.addEventListener('click', mark); fields.addEventListener('click', mark);
}

// Moving files between media by drag.
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

// Progress of the job, by server-sent events.
const job = $('#job[data-state=working]');
if (job) {
  const part = (n) => job.querySelector('[data-job=' + n + ']');
  const es = new EventSource('/job/events');
  es.onmessage = (e) => {
    const s = JSON.parse(e.data), bar = job.querySelector('progress');
    part('phase').textContent = s.phase; part('note').textContent = s.note; part('state').textContent = s.state;
    part('count').textContent = s.done + (s.total ? ' of ' + s.total : '');
    bar.max = s.total || 1; bar.value = s.total ? s.done : 0;
    if (s.state !== 'working') { es.close(); if (s.state === 'done' && s.goes && location.pathname !== '/make') location.href = s.goes; else location.reload(); }
  };
}

// Search as one types.
const search = $('#search');
if (search) {
  let n = 0;
  search.q.addEventListener('input', async () => {
    const mine = ++n, r = await fetch('/keep/search?q=' + encodeURIComponent(search.q.value));
    const text = await r.text();
    if (mine === n && r.ok) $('#hits').innerHTML = text; // written by the server's template, which escapes
  });
}

// Playing a tape side.
const audio = $('#audio');
if (audio) {
  let ctx, gain;
  const graph = () => {
    if (!ctx) {
      ctx = new AudioContext(); gain = ctx.createGain();
      ctx.createMediaElementSource(audio).connect(gain).connect(ctx.destination);
    }
    ctx.resume(); set();
  };
  const set = () => {
    const db = Number($('#level').value);
    $('#level-is').textContent = db + ' dB';
    if (gain) gain.gain.value = Math.pow(10, db / 20) * ($('#invert').checked ? -1 : 1);
    audio.dataset.gain = gain ? gain.gain.value : '';
  };
  $('#level').addEventListener('input', set); $('#invert').addEventListener('change', set);
  audio.addEventListener('play', graph);
  let timer;
  $('#go').addEventListener('click', () => {
    graph(); clearInterval(timer);
    let n = 5; $('#count').textContent = n;
    timer = setInterval(() => {
      n--; $('#count').textContent = n > 0 ? n : '';
      if (n <= 0) { clearInterval(timer); audio.play().catch((e) => say('The sound could not be played: ' + e.message)); }
    }, 1000);
  });
  document.querySelectorAll('#marks button').forEach((b) => b.addEventListener('click', () => { audio.currentTime = Number(b.dataset.at); audio.play().catch((e) => say(e.message)); }));
  audio.addEventListener('timeupdate', () => document.querySelectorAll('#marks li').forEach((li) => {
    const at = Number(li.dataset.at);
    li.classList.toggle('now', audio.currentTime >= at && audio.currentTime < at + Number(li.dataset.to));
  }));
}

// Recording: samples go to this server in chunks, and each answer says what was heard.
const listen = $('#listen');
if (listen) {
  let stream, ctx, id, sent = 0, queue = Promise.resolve(), held = [], have = 0;
  const cell = (tr, t) => { const td = document.createElement('td'); td.textContent = t; tr.append(td); };
  const show = (s) => {
    $('#time').textContent = clock(s.seconds); $('#blocks').textContent = s.blocks;
    if (s['peak-db'] !== undefined && s.advice) { $('#meter').value = Math.max(-60, s['peak-db']); $('#meter-is').textContent = s['peak-db'].toFixed(0) + ' dB, peak'; if ($('#advice').textContent !== s.advice) $('#advice').textContent = s.advice; }
    for (const b of s.new) {
      const tr = document.createElement('tr');
      cell(tr, b.number); cell(tr, clock(b['from-s'])); cell(tr, b.bytes); cell(tr, b.state); cell(tr, b.starts); $('#heard').append(tr);
      if (b.do) { const li = document.createElement('li'); li.textContent = 'Block ' + b.number + ': ' + b.do; $('#retry .soft')?.remove(); $('#retry').append(li); }
    }
  };
  const flush = () => {
    if (!have || !id) return;
    const all = new Float32Array(have); let at = 0;
    for (const h of held) { all.set(h, at); at += h.length; }
    held = []; have = 0;
    const n = sent++;
    queue = queue.then(async () => {
      const r = await post('/record/' + id + '/chunk?n=' + n, all.buffer, 'application/octet-stream');
      if (r.ok) show(await r.json()); else { say(await r.text()); stop(); }
    }).catch((e) => { say('The recording stopped: ' + e.message); stop(); });
  };
  const stop = async () => {
    if (!id) return;
    flush(); const was = id; id = null;
    stream.getTracks().forEach((t) => t.stop()); await ctx.close();
    await queue;
    const r = await post('/record/' + was + '/stop', form({}));
    if (r.ok) { const s = await r.json(); show(s); say(s.name + ' is stored; read it back under Prove.'); }
    listen.hidden = false; $('#stop').hidden = true; $('#meter-is').textContent = 'not listening';
  };
  listen.addEventListener('click', async () => {
    try {
      stream = await navigator.mediaDevices.getUserMedia({ audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 } });
    } catch (e) { say('The input could not be opened: ' + e.message + '. Allow this page to use the microphone input.'); return; }
    ctx = new AudioContext();
    await ctx.audioWorklet.addModule('/assets/listen.js');
    const r = await post('/record/start', form({ rate: ctx.sampleRate, code: $('#code').value }));
    if (!r.ok) { say(await r.text()); stream.getTracks().forEach((t) => t.stop()); return; }
    id = (await r.json()).id; sent = 0; held = []; have = 0;
    $('#heard').textContent = ''; listen.hidden = true; $('#stop').hidden = false;
    const node = new AudioWorkletNode(ctx, 'listen', { numberOfInputs: 1, numberOfOutputs: 0, channelCount: 1, channelCountMode: 'explicit' });
    node.port.onmessage = (e) => { held.push(e.data); have += e.data.length; if (have >= ctx.sampleRate / 8) flush(); };
    ctx.createMediaStreamSource(stream).connect(node);
  });
  $('#stop').addEventListener('click', stop);
}
