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
      document.getElementById('job-file').files = event.dataTransfer.files;
      form.requestSubmit();
    });
  }
  form?.addEventListener('submit', (event) => {
    const file = document.getElementById('job-file').files[0];
    if (!file) return;
    event.preventDefault();
    const says = document.getElementById('bring-says'), progress = document.getElementById('bring-progress');
    const button = form.querySelector('button'), request = new XMLHttpRequest();
    button.disabled = true;
    progress.hidden = false;
    says.textContent = 'On its way: ' + file.name;
    request.upload.addEventListener('progress', (sent) => { if (sent.lengthComputable) progress.value = sent.loaded / sent.total; });
    request.upload.addEventListener('load', () => { says.textContent = 'It has arrived and is being kept: ' + file.name; });
    request.addEventListener('loadend', () => {
      button.disabled = false;
      progress.hidden = true;
      let told = {};
      try { told = JSON.parse(request.responseText); } catch { /* No answer, or none of the desk. */ }
      if (request.status === 200 || request.status === 201) {
        location.assign(told.page);
      } else if (request.status === 401) {
        location.assign('/enter');
      } else {
        says.textContent = 'Not taken in: ' + (told.detail || 'the connection broke; it may be tried again.');
      }
    });
    request.open('PUT', '/api/jobs/' + encodeURIComponent(file.name));
    request.send(file);
  });
  document.documentElement.dataset.ready = '1';
})();
