// Progress of the job, by server-sent events.
'use strict';
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
