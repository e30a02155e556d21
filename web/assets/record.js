// Recording: samples go to this server in chunks, and each answer says what was heard.
'use strict';
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
