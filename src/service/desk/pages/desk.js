// Everything works without this script but for pages that tell of changes by themselves, and progress.
(() => {
  'use strict';

  // What stands on a page is asked for anew and put in its place; forms that somebody fills in stay as they are.
  let asked = false, again = false;
  async function renew() {
    if (asked) { again = true; return; }
    asked = true;
    try {
      const answer = await fetch(location.href, { headers: { accept: 'text/html' }, cache: 'no-store' });
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), 'text/html');
      for (const old of document.querySelectorAll('[data-live]')) {
        const made = fresh.getElementById(old.id);
        if (!made || made.innerHTML === old.innerHTML) continue;
        const focus = old.contains(document.activeElement) ? document.activeElement.getAttribute('href') : null;
        old.replaceChildren(...made.childNodes);
        if (focus) [...old.querySelectorAll('a')].find((link) => link.getAttribute('href') === focus)?.focus();
      }
      document.documentElement.dataset.renewed = String(Number(document.documentElement.dataset.renewed || 0) + 1);
      // A job that has just been judged brings the forms that were not there before.
      if (fresh.querySelectorAll('form').length !== document.querySelectorAll('form').length) location.reload();
    } catch { /* The next change asks again. */ } finally {
      asked = false;
      if (again) { again = false; setTimeout(renew, 300); }
    }
  }
  if (document.querySelector('[data-live]')) {
    const events = new EventSource('/events');
    // Whatever happened since the page was made is told at once, and after any time without a connection.
    let known = document.body.dataset.changes;
    events.addEventListener('change', (event) => {
      if (event.data !== known) renew();
      known = event.data;
    });
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
      } else {
        says.textContent = 'Not taken in: ' + (told.detail || 'the connection broke; it may be tried again.');
      }
    });
    request.open('PUT', '/api/jobs/' + encodeURIComponent(file.name));
    request.send(file);
  });
  document.documentElement.dataset.ready = '1';
})();
