(() => {
  'use strict';
  const table = document.querySelector('table.jobs'), body = table.tBodies[0], heads = [...table.tHead.rows[0].cells];
  const rows = [...body.rows], order = new Intl.Collator('en', { numeric: true });
  document.documentElement.classList.add('scripted');

  // Equal rows stay as they were listed, the worst first, whichever way the column runs.
  function sort(column, ways) {
    const key = (row) => row.cells[column].dataset.key, text = (row) => row.cells[column].textContent;
    const compare = (a, b) => key(a) != null && key(b) != null ? key(a) - key(b) : order.compare(text(a), text(b));
    const by = ways === 'ascending' ? 1 : -1;
    heads.forEach((head, k) => k === column ? head.setAttribute('aria-sort', ways) : head.removeAttribute('aria-sort'));
    body.append(...rows.slice().sort((a, b) => by * compare(a, b) || rows.indexOf(a) - rows.indexOf(b)));
  }
  heads.forEach((head, column) => {
    const button = document.createElement('button');
    button.type = 'button';
    button.append(...head.childNodes);
    head.append(button);
    // What is large or bad is looked for first, names from A on.
    const first = rows.some((row) => row.cells[column].dataset.key != null) ? 'descending' : 'ascending';
    const other = first === 'ascending' ? 'descending' : 'ascending';
    button.addEventListener('click', () => sort(column, head.getAttribute('aria-sort') === first ? other : first));
  });
  heads[0].setAttribute('aria-sort', 'descending');

  const buttons = [...document.querySelectorAll('[data-verdict]')], says = document.getElementById('says');
  function sift() {
    const wanted = buttons.filter((button) => button.getAttribute('aria-pressed') === 'true').map((button) => button.dataset.verdict);
    const words = says.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const row of rows) {
      const text = row.textContent.toLowerCase();
      row.hidden = !(row.dataset.verdicts.split(' ').some((own) => wanted.includes(own)) && words.every((word) => text.includes(word)));
      shown += row.hidden ? 0 : 1;
    }
    document.getElementById('listed').textContent = shown + ' of ' + rows.length + ' listed';
  }
  for (const button of buttons) button.addEventListener('click', () => {
    button.setAttribute('aria-pressed', button.getAttribute('aria-pressed') !== 'true');
    sift();
  });
  says.addEventListener('input', sift);
  sift();
  document.documentElement.dataset.ready = '1';
})();
