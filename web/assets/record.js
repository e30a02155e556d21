// Recording: samples go to this server in chunks, and each answer says what was heard.
'use strict';
const listen = $('#listen');
if (listen) {
  const chunkS = 0.05, mostWaitingS = 120, mostInOneS = 10;
  let stream, ctx, node, id, name, code, next, waiting, held, have, busy, tries, ended, total, heardAt, peak = 0, cutAt = -1e9, locked;
  const cap = (s) => s.charAt(0).toUpperCase() + s.slice(1);
  const el = (tag, text, cls) => { const e = document.createElement(tag); if (text !== undefined) e.textContent = text; if (cls) e.className = cls; return e; };
  const set = (e, text) => { if (e.textContent !== text) e.textContent = text; };
  const now = () => total / ctx.sampleRate + Math.max(0, ctx.currentTime - heardAt); // seconds of sound that have come in

  // The table: a body for each program, a row for each block.
  const table = $('.heard'), mostRows = 300;
  const kinds = { '': 'not known yet', 'machine-tape': 'machine-code tape', 'basic-tape': 'BASIC', text: 'text', 'intel-hex': 'Intel HEX', 's-record': 'S-records', unknown: 'bytes of no known kind' };
  const badge = (state) => el('span', state, 'state ' + (state === 'good' ? 'whole' : state === 'lost in part' ? 'lost' : state));
  const blockRow = (body, b) => {
    let tr = body.rowsOf.get(b.number);
    if (!tr) {
      tr = el('tr'); tr.append(el('th'), el('td'), el('td', undefined, 'num'), el('td', undefined, 'num'), el('td')); tr.cells[0].scope = 'row';
      body.rowsOf.set(b.number, tr); body.append(tr);
      if (body.rowsOf.size > mostRows) for (const [n, old] of body.rowsOf) if (old.dataset.state === 'good') { old.remove(); body.rowsOf.delete(n); body.gone = (body.gone || 0) + 1; break; }
    }
    set(tr.cells[0], String(b.number)); set(tr.cells[1], b.what); set(tr.cells[2], clock(b['from-s']));
    set(tr.cells[3], b.state === 'hearing' && b.of ? b.bytes + ' of ' + b.of : String(b.bytes));
    if (tr.dataset.state !== b.state || tr.dataset.why !== (b.why || '')) {
      tr.cells[4].replaceChildren(badge(b.state));
      if (b.why) tr.cells[4].append(' ' + b.why);
    }
    if (b.state !== 'hearing' && !tr.dataset.behind && ctx && !ended) { tr.dataset.behind = (now() - b['to-s']).toFixed(3); set($('#behind'), 'The last block was known ' + Math.round(1000 * tr.dataset.behind) + ' ms after it sounded.'); }
    tr.dataset.state = b.state; tr.dataset.why = b.why || '';
    if (b.state === 'hearing' && b.of) {
      let p = tr.cells[4].querySelector('progress');
      if (!p) { p = el('progress'); p.setAttribute('aria-label', 'Block ' + b.number); tr.cells[4].append(p); }
      p.max = b.of; p.value = b.bytes;
    }
  };
  const showPrograms = (s) => {
    for (const p of s['programs-changed']) {
      let body = table.tBodies[p.number - 1];
      if (!body) { body = el('tbody'); table.append(body); }
      if (p.fresh || !body.rowsOf) {
        body.replaceChildren(); body.rowsOf = new Map();
        const tr = el('tr'), th = el('th'); th.colSpan = 5; th.scope = 'rowgroup'; tr.append(th); body.append(tr);
      }
      body.dataset.state = p.state;
      const th = body.rows[0].cells[0];
      th.replaceChildren(el('b', p.name || 'Program ' + p.number), ' ', badge(p.state), ' ');
      th.append(el('span', (kinds[p.kind] || p.kind) + ', ' + p['line-code'] + ', ' + clock(p['from-s']) + ', ' + p.bytes + ' bytes, ' + p.good + ' of ' + p.blocks + ' blocks good, checked by ' + p['checked-by'] + (p.why ? '; ' + p.why : ''), 'soft'));
      for (const b of p.changed) blockRow(body, b);
      for (const [n, tr] of body.rowsOf) if (n > p.blocks) { tr.remove(); body.rowsOf.delete(n); }
    }
    while (table.tBodies.length > s.programs) table.tBodies[table.tBodies.length - 1].remove();
    set($('#count'), s.programs === 0 ? 'Nothing heard yet.' : s.programs === 1 ? 'One program heard.' : s.programs + ' programs heard.');
    const again = s.again.join('\n');
    if ($('#retry').dataset.now !== again) {
      $('#retry').dataset.now = again;
      $('#retry').replaceChildren(...(s.again.length ? s.again.map((t) => el('li', t)) : [el('li', 'Nothing.', 'soft')]));
    }
  };
  const show = (s) => {
    set($('#time'), clock(s.seconds));
    if (!ended) set($('#advice'), s.advice);
    showPrograms(s);
  };

  // The level is drawn from the input itself, 30 times a second, whatever the server does.
  let drawn = 0, shown = -60;
  const draw = (t) => {
    if (!ctx || ended) return;
    requestAnimationFrame(draw);
    if (t - drawn < 33) return;
    const db = peak > 0 ? Math.max(-60, 20 * Math.log10(peak)) : -60;
    shown = Math.max(db, shown - (t - drawn) * 0.02); // falls by 20 dB a second
    drawn = t; peak = 0;
    $('#meter').value = shown; $('#meter').dataset.draws = Number($('#meter').dataset.draws || 0) + 1;
    set($('#meter-is'), (ctx.currentTime - cutAt < 2 ? 'cut off! ' : '') + shown.toFixed(0) + ' dB, peak');
    const wait = have / ctx.sampleRate;
    set($('#waiting'), wait > 2 ? wait.toFixed(0) + ' s of sound wait for the server; nothing is lost.' : '');
  };

  // Chunks go one after the other. One that gets no answer is sent again under its number; meanwhile sound is kept here.
  const take = () => {
    const most = mostInOneS * ctx.sampleRate;
    let n = 0, k = 0;
    while (k < held.length && n < most) n += held[k++].length;
    const all = new Float32Array(n); let at = 0;
    for (const h of held.splice(0, k)) { all.set(h, at); at += h.length; }
    return { n: next++, all };
  };
  const pump = async () => {
    if (busy) return;
    busy = true;
    while (id && (waiting || held.length && (ended || have >= chunkS * ctx.sampleRate))) {
      if (!waiting) waiting = take();
      let heard;
      try {
        const r = await fetch('/record/' + id + '/chunk?n=' + waiting.n, { method: 'POST', body: waiting.all.buffer, headers: { 'X-Token': token, 'Content-Type': 'application/octet-stream' }, signal: AbortSignal.timeout(10000) });
        if (!r.ok && r.status !== 502 && r.status !== 503) { const text = await r.text(); busy = false; broken(cap(text)); return; }
        if (!r.ok) throw new Error(r.statusText);
        heard = await r.json();
        have -= waiting.all.length; waiting = null; tries = 0;
      } catch (e) {
        if (have > mostWaitingS * ctx.sampleRate) { busy = false; broken('The server has not answered for two minutes (' + e.message + '). What it stored until then is in its working folder.'); return; }
        await new Promise((go) => setTimeout(go, Math.min(2000, 100 * 2 ** tries++)));
        continue;
      }
      show(heard);
    }
    busy = false;
    if (ended && id) finish();
  };
  const quiet = () => {
    stream.getTracks().forEach((t) => t.stop());
    locked?.release?.().catch(() => {});
    $('#meter').value = -60; set($('#meter-is'), 'not listening'); listen.hidden = false; $('#stop').hidden = true; $('#counting').hidden = true;
  };
  // broken ends a recording that cannot go on; what was stored is whole.
  const broken = async (why) => {
    set($('#advice'), why); say(why);
    ended = true; id = null; quiet(); await ctx.close(); ctx = null;
    $('#then').hidden = false;
  };
  const finish = async () => {
    const was = id; id = null;
    await ctx.close(); ctx = null;
    try {
      const r = await post('/record/' + was + '/stop', form({}));
      if (!r.ok) { say(cap(await r.text())); return; }
      const s = await r.json(); show(s);
      set($('#advice'), s.stored + ' are stored as ' + s.name + '. Reading all of it...');
      say(s.name + ' is stored.'); $('#then').hidden = false;
      const c = await post('/record/check', form({ name: s.name, code }));
      if (!c.ok) { set($('#advice'), cap(await c.text())); return; }
      const all = await c.json();
      showPrograms(all); set($('#advice'), s.name + ': ' + all.verdict + '.'); $('#stands').textContent = 'This is what the whole recording says.';
      $('#recorder').dataset.checked = s.name;
    } catch (e) { say('The recording is stored, but the server did not answer: ' + e.message); }
  };
  const stop = () => {
    if (!id || ended) return;
    ended = true; quiet(); pump();
  };
  const inputs = async () => {
    const had = $('#input').value;
    const list = (await navigator.mediaDevices.enumerateDevices()).filter((d) => d.kind === 'audioinput' && d.deviceId && d.deviceId !== 'default' && d.label);
    $('#input').replaceChildren($('#input').options[0], ...list.map((d) => { const o = el('option', d.label); o.value = d.deviceId; return o; }));
    $('#input').value = list.some((d) => d.deviceId === had) ? had : '';
  };
  listen.addEventListener('click', async () => {
    listen.disabled = true;
    try {
      const want = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
      if ($('#input').value) want.deviceId = { exact: $('#input').value };
      stream = await navigator.mediaDevices.getUserMedia({ audio: want });
    } catch (e) { listen.disabled = false; say('The input could not be opened: ' + e.message + '. Allow this page to use the microphone input.'); return; }
    try {
      await inputs();
      ctx = new AudioContext();
      await ctx.audioWorklet.addModule('/assets/listen.js');
      code = $('#code').value;
      const r = await post('/record/start', form({ rate: ctx.sampleRate, code }));
      if (!r.ok) throw new Error(await r.text());
      const s = await r.json(); id = s.id; name = s.name;
    } catch (e) { listen.disabled = false; say(cap(e.message)); stream.getTracks().forEach((t) => t.stop()); ctx?.close(); ctx = null; return; }
    next = 0; held = []; have = 0; waiting = null; busy = false; tries = 0; ended = false; total = 0; heardAt = ctx.currentTime; shown = -60;
    while (table.tBodies.length) table.tBodies[0].remove();
    set($('#name'), 'into ' + name); set($('#behind'), ''); $('#then').hidden = true; $('#counting').hidden = false;
    listen.disabled = false; listen.hidden = true; $('#stop').hidden = false; $('#stop').focus();
    node = new AudioWorkletNode(ctx, 'listen', { numberOfInputs: 1, numberOfOutputs: 0, channelCount: 1, channelCountMode: 'explicit' });
    node.port.onmessage = (e) => {
      if (ended) return;
      const m = e.data;
      total += m.x.length; heardAt = m.end; peak = Math.max(peak, m.peak);
      if (m.cut) cutAt = m.end;
      held.push(m.x); have += m.x.length; pump();
    };
    ctx.createMediaStreamSource(stream).connect(node);
    stream.getAudioTracks()[0].addEventListener('ended', () => { say('The input went away.'); stop(); });
    navigator.wakeLock?.request('screen').then((l) => { locked = l; }, () => {}); // a computer that falls asleep does not hear
    requestAnimationFrame(draw);
  });
  $('#stop').addEventListener('click', stop);
  $('#counting').addEventListener('submit', async (e) => {
    e.preventDefault();
    if (!id) return;
    const r = await post('/record/' + id + '/counter', form({ counter: $('#counter').value }));
    say(r.ok ? (await r.json()).said : cap(await r.text()));
  });
  window.addEventListener('beforeunload', (e) => { if (id) e.preventDefault(); });
}
