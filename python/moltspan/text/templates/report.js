(() => {
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];
  const get = id => document.getElementById(id);
  const facts = new Map(all('article').map((article, place) => [article.dataset.a, {
    place, ...article.dataset, name: article.querySelector('h3').firstChild.textContent.trim(), text: article.textContent.toLowerCase()}]));
  const lines = all('[data-a]'), groups = all('[data-sort]').map(group => ({group, told: [...group.children]}));
  const fields = ['kind', 'shelf', 'verdict'].map(get).filter(Boolean);

  const fits = fact => fields.every(field => !field.value || fact[field.id] === field.value) && fact.text.includes(get('find').value.trim().toLowerCase());
  function filter() {
    const shown = new Set([...facts].filter(([, fact]) => fits(fact)).map(([place]) => place));
    for (const line of lines) line.hidden = !shown.has(line.dataset.a);
    for (const group of all('.group')) group.hidden = !all('[data-a]', group).some(line => !line.hidden) && all('[data-a]', group).length > 0;
    const some = shown.size < facts.size;
    get('count').textContent = some ? `${shown.size} of ${facts.size}` : '';
    if (some) for (const details of all('details:has([data-a])')) if (!details.closest('article')) details.open = true;
  }
  const keys = {
    molt: fact => fact.place, name: fact => fact.name, kind: fact => fact.kind === '' ? Infinity : Number(fact.kind),
    shelf: fact => fact.shelf === '' ? Infinity : Number(fact.shelf), meal: fact => Number(fact.meal)};
  const compare = (a, b) => typeof a === 'string' ? a.localeCompare(b, undefined, {numeric: true}) : a === b ? 0 : a < b ? -1 : 1;
  function sort() {
    const key = keys[get('order').value];
    for (const {group, told} of groups) {
      const place = element => facts.get(element.dataset.a);
      const sorted = key ? [...told].sort((a, b) => place(a) && place(b) ? compare(key(place(a)), key(place(b))) : 0) : told;
      group.append(...sorted);
    }
  }
  function reveal() {
    const target = location.hash && get(decodeURIComponent(location.hash.slice(1)));
    if (!target) return;
    const line = target.closest('[data-a]');
    if (line && line.hidden) clear();
    for (let at = target; at; at = at.parentElement) if (at.tagName === 'DETAILS') at.open = true;
    const own = target.closest('article');
    if (own && own.querySelector('details')) own.querySelector('details').open = true;
    target.scrollIntoView();
  }
  function clear() {
    for (const field of [...fields, get('find'), get('order')]) field.value = '';
    filter();
    sort();
  }
  function fold() {
    const open = all('details').some(details => !details.open);
    for (const details of all('details')) details.open = open;
    get('fold').textContent = open ? 'Fold' : 'Unfold all';
  }
  function dark() {
    const now = document.documentElement.dataset.theme || (matchMedia('(prefers-color-scheme: dark)').matches ? 'dark' : 'light');
    document.documentElement.dataset.theme = now === 'dark' ? 'light' : 'dark';
  }
  let folded = [];
  addEventListener('beforeprint', () => {
    folded = all('details').filter(details => !details.open);
    for (const details of folded) details.open = true;
  });
  addEventListener('afterprint', () => { for (const details of folded) details.open = false; });
  addEventListener('hashchange', reveal);
  get('find').addEventListener('input', filter);
  for (const field of fields) field.addEventListener('change', filter);
  get('order').addEventListener('change', sort);
  for (const [id, act] of Object.entries({clear, fold, dark})) get(id).addEventListener('click', act);
  document.querySelector('.tools').hidden = false;
  reveal();
})();
