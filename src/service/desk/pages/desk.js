// Everything works without this script but for pages that tell of changes by themselves, and progress.
(() => {
  'use strict';
  const live = document.querySelector('[data-live]');

  // What somebody has begun to fill in must not be lost.
  function isTouched() {
    return [...document.querySelectorAll('form.decide input, form.decide select')].some((field) =>
      field.type === 'radio' || field.type === 'checkbox' ? field.checked !== field.defaultChecked
        : field.tagName === 'INPUT' && field.value !== field.defaultValue);
  }

  function hint(text) {
    let line = document.getElementById('live-says');
    if (!line) {
      line = document.createElement('p');
      line.id = 'live-says';
      line.className = 'busy';
      line.setAttribute('role', 'status');
      live.before(line);
    }
    line.hidden = !text;
    if (line.textContent !== text) line.textContent = text;
  }

  // What stands on a page is asked for anew and put in its place; forms that somebody fills in stay as they are.
  let known = document.body.dataset.changes, wanted = known, asked = false, timer = 0;
  function renewIn(ms) {
    clearTimeout(timer);
    timer = setTimeout(renew, ms);
  }
  async function renew() {
    if (asked || wanted === known) return;
    asked = true;
    const until = wanted;
    try {
      const answer = await fetch(location.href, { headers: { accept: 'text/html' }, cache: 'no-store' });
      if (answer.status === 404) {
        known = until;
        hint('This is not here any more.');
        return;
      }
      if (!answer.ok || answer.redirected) throw new Error('no page');
      const fresh = new DOMParser().parseFromString(await answer.text(), 'text/html');
      for (const old of document.querySelectorAll('[data-live]')) {
        const made = fresh.getElementById(old.id);
        if (!made || made.innerHTML === old.innerHTML) continue;
        const focus = old.contains(document.activeElement) ? document.activeElement.getAttribute('href') : null;
        old.replaceChildren(...made.childNodes);
        if (focus) [...old.querySelectorAll('a')].find((link) => link.getAttribute('href') === focus)?.focus();
      }
      known = until;
      hint('');
      // A job that was judged anew brings other forms.
      const forms = (page) => [...page.querySelectorAll('form.decide')].map((form) => form.action + [...form.querySelectorAll('[type=hidden]')].map((field) => field.getAttribute('value'))).join();
      if (forms(fresh) !== forms(document)) {
        if (isTouched()) hint('What can be decided here has changed meanwhile: load this page anew before you decide.');
        else location.reload();
      }
    } catch {
      hint('This page is not up to date: the gate does not answer. It is asked again.');
      renewIn(5000);
      return;
    } finally {
      asked = false;
    }
    if (wanted !== known) renewIn(300);
  }

  // Pages that nobody looks at listen to nothing: a browser has few connections to one host.
  let events = null;
  function listen() {
    if (events || document.visibilityState === 'hidden') return;
    events = new EventSource('/events');
    events.addEventListener('change', (event) => {
      wanted = event.data;
      renewIn(0);
    });
    events.addEventListener('error', () => {
      if (events?.readyState !== EventSource.CLOSED) return;
      events = null;
      hint('This page is not up to date: the gate does not answer. It is asked again.');
      setTimeout(listen, 5000);
    });
    events.addEventListener('open', () => { if (wanted === known) hint(''); });
  }
  if (live) {
    document.addEventListener('visibilitychange', () => {
      if (document.visibilityState === 'hidden') { events?.close(); events = null; } else listen();
    });
    listen();
  }

  const form = document.getElementById('bring');
  // A file may be dropped anywhere on the page.
  if (form) {
    document.addEventListener('dragover', (event) => event.preventDefault());
    document.addEventListener('drop', (event) => {
      event.preventDefault();
      if (!event.dataTransfer.files.length) return;
      input.files = event.dataTransfer.files;
      form.requestSubmit();
    });
  }
  // One after another; where several were chosen it says what became of each, and stays here.
  const input = document.getElementById('job-file');
  if (input) input.multiple = true;
  function send(file, says, progress) {
    return new Promise((done) => {
      const request = new XMLHttpRequest();
      says.textContent = 'On its way: ' + file.name;
      request.upload.addEventListener('progress', (sent) => { if (sent.lengthComputable) progress.value = sent.loaded / sent.total; });
      request.upload.addEventListener('load', () => { says.textContent = 'It has arrived and is being kept: ' + file.name; });
      request.addEventListener('loadend', () => {
        let told = {};
        try { told = JSON.parse(request.responseText); } catch { /* No answer, or none of the desk. */ }
        const isKept = request.status === 200 || request.status === 201;
        done({ status: request.status, page: isKept ? told.page : null, why: told.detail || 'the connection broke; it may be tried again.' });
      });
      request.open('PUT', '/api/jobs/' + encodeURIComponent(file.name));
      request.send(file);
    });
  }
  // What is chosen or dropped meanwhile waits for its turn.
  const waiting = [];
  let busy = false;
  addEventListener('beforeunload', (event) => { if (busy) event.preventDefault(); });
  form?.addEventListener('submit', async (event) => {
    if (!input.files.length) return;
    event.preventDefault();
    waiting.push(...input.files);
    form.reset();
    if (busy) return;
    busy = true;
    const says = document.getElementById('bring-says'), progress = document.getElementById('bring-progress');
    progress.hidden = false;
    const refused = [];
    let page = null, count = 0;
    while (waiting.length) {
      const file = waiting.shift(), answer = await send(file, says, progress);
      if (answer.status === 401) { busy = false; location.assign('/enter'); return; }
      count += 1;
      if (answer.page) page = answer.page;
      else refused.push('Not taken in: ' + file.name + ': ' + answer.why);
    }
    busy = false;
    progress.hidden = true;
    if (count === 1 && page) { location.assign(page); return; }
    says.textContent = [...(count > 1 ? [count - refused.length + ' of ' + count + ' taken in.'] : []), ...refused].join(' ');
  });
  document.documentElement.dataset.ready = '1';
})();
