// What the Web Content Accessibility Guidelines 2.1 (W3C Recommendation) ask of a page and a browser can compute: run inside the page,
// returns a list of what is wrong. The number of the criterion stands before each.
function audit() {
  const wrong = [], all = selector => [...document.querySelectorAll(selector)];
  const say = (rule, element) => wrong.push(`${rule}: ${(element.outerHTML || String(element)).slice(0, 120)}`);
  const seen = element => element.getClientRects().length > 0 && element.checkVisibility();  // what is folded away has places too

  if (!/^[a-z]{2}/.test(document.documentElement.lang)) say('3.1.1 no language', document.documentElement.cloneNode());
  if (!document.title.trim()) say('2.4.2 no title', document.head);
  if (!document.querySelector('main')) say('1.3.1 no main part', 'page');

  let before = 0;
  for (const heading of all('h1, h2, h3, h4, h5, h6')) {
    const level = Number(heading.tagName[1]);
    if (level > before + 1 || (level === 1) !== (before === 0)) say(`1.3.1 heading ${level} after ${before}`, heading);
    if (!heading.textContent.trim()) say('2.4.6 empty heading', heading);
    before = level;
  }
  for (const table of all('table')) {
    if (!table.caption || !table.caption.textContent.trim()) say('1.3.1 table without caption', table);
    for (const row of table.rows) if (!row.querySelector('th')) say('1.3.1 row without heading', row);
  }
  for (const th of all('th')) if (!['row', 'col'].includes(th.scope)) say('1.3.1 heading without scope', th);
  for (const picture of all('img')) if (!picture.hasAttribute('alt')) say('1.1.1 picture without words', picture);
  for (const picture of all('svg'))
    if (picture.getAttribute('role') !== 'img' || !picture.getAttribute('aria-label')) say('1.1.1 picture without words', picture.cloneNode());
  for (const field of all('input, select, textarea'))
    if (!field.labels.length && !field.getAttribute('aria-label')) say('3.3.2 field without label', field);
  if (all('main').length > 1) say('1.3.1 main part twice', 'page');
  for (const name of ['header', 'footer']) {
    const top = all(name).filter(element => !element.closest('main, article, section, aside, nav'));
    if (top.length > 1) say(`1.3.1 ${name} twice`, 'page');
  }
  for (const region of all('section, nav')) {
    const by = region.getAttribute('aria-labelledby');
    if (!region.getAttribute('aria-label') && !(by && document.getElementById(by))) say('1.3.1 part without a name', region.cloneNode());
  }
  for (const link of all('a')) {
    if (!link.textContent.trim() && !link.getAttribute('aria-label')) say('2.4.4 link without words', link);
    if (!document.getElementById(decodeURIComponent(link.hash.slice(1)))) say('link to nowhere', link);
  }
  for (const button of all('button, [role=button]'))
    if (!button.textContent.trim() && !button.getAttribute('aria-label')) say('4.1.2 button without words', button);
  for (const frame of all('iframe')) if (!frame.title) say('4.1.2 frame without a name', frame.cloneNode());
  for (const one of all('a a, a button, button a, button button')) say('4.1.2 control inside a control', one);

  // zoom, time, sound
  for (const meta of all('meta[name=viewport]')) {
    const most = /maximum-scale=([\d.]+)/.exec(meta.content);
    if (/user-scalable=(no|0)/.test(meta.content) || (most && Number(most[1]) < 5)) say('1.4.4 zoom is shut off', meta);
  }
  for (const meta of all('meta[http-equiv=refresh]')) say('2.2.1 page that reloads by itself', meta);
  for (const media of all('[autoplay], marquee, blink')) say('2.2.2 what moves by itself', media.cloneNode());

  // lists, tables and roles hold what they are made for
  for (const list of all('ul, ol'))
    if ([...list.children].some(child => !['LI', 'SCRIPT', 'TEMPLATE'].includes(child.tagName))) say('1.3.1 list with other than items', list);
  for (const item of all('li')) if (!item.parentElement.matches('ul, ol, menu')) say('1.3.1 item outside a list', item);
  for (const item of all('dt, dd')) if (!item.parentElement.closest('dl')) say('1.3.1 term outside its list', item);
  for (const th of all('th')) if (!th.textContent.trim()) say('1.3.1 empty heading of a table', th);
  for (const table of all('table')) if (!table.querySelector('td')) say('1.3.1 table without cells', table);
  const captions = all('caption').map(caption => caption.textContent.trim());
  for (const name of captions.filter((name, i) => captions.indexOf(name) !== i)) say('2.4.6 two tables of one name', name);
  const known = {table: 0, rowgroup: 'table', row: 'table, rowgroup', cell: 'row', columnheader: 'row', rowheader: 'row', img: 0, button: 0,
                 list: 0, listitem: 'list', note: 0, presentation: 0, none: 0};
  for (const element of all('[role]')) {
    const role = element.getAttribute('role'), within = known[role];
    if (within === undefined) say('4.1.2 unknown role', element.cloneNode());
    else if (within && !within.split(', ').includes(element.parentElement.getAttribute('role')))
      say('1.3.1 role outside its owner', element.cloneNode());
  }
  for (const element of all('*')) for (const {name, value} of element.attributes) {
    if (!name.startsWith('aria-')) continue;
    if (!['aria-label', 'aria-labelledby', 'aria-describedby', 'aria-hidden', 'aria-current'].includes(name))
      say(`4.1.2 attribute ${name}`, element.cloneNode());
    if (/labelledby|describedby/.test(name) && value.split(' ').some(id => !document.getElementById(id)))
      say(`4.1.2 ${name} to nowhere`, element.cloneNode());
  }
  for (const hidden of all('[aria-hidden=true]')) if (hidden.querySelector('a[href], button, input') || hidden.matches('a, button'))
    say('4.1.2 hidden, but reached by key', hidden);
  for (const element of all('[lang]')) if (!/^[a-z]{2,3}(-\w+)*$/.test(element.lang)) say('3.1.2 no such language', element.cloneNode());

  // by keyboard: in the order of the page, seen when reached, no field that only a mouse can scroll
  let top = -Infinity;
  for (const link of all('main a, nav a').filter(seen)) {
    const box = link.getClientRects()[0];
    if (box.bottom < top) say('2.4.3 reached before what stands above it', link);
    top = box.top;
    link.focus({preventScroll: true});
    const style = getComputedStyle(link);
    if (link.hasAttribute('href') && (document.activeElement !== link || (style.outlineStyle === 'none' && style.boxShadow === 'none')))
      say('2.4.7 focus is not seen', link);
    if (!link.closest('nav') && link.textContent.trim() && !style.textDecorationLine.includes('underline'))
      say('1.4.1 link told by color alone', link);
    if (link.closest('nav') && box.height < 24) say('2.5.8 small target', link);
  }
  for (const box of all('main *').filter(seen)) {
    const scrolls = /auto|scroll/.test(getComputedStyle(box).overflowX) && box.scrollWidth > box.clientWidth;
    if (scrolls && !(box.tabIndex >= 0)) say('2.1.1 scrolls by mouse only', box.cloneNode());
  }

  for (const element of all('[tabindex]')) if (element.tabIndex > 0) say('2.4.3 positive tabindex', element);
  const ids = all('[id]').map(element => element.id);
  for (const id of ids.filter((id, i) => ids.indexOf(id) !== i)) say('4.1.1 id used twice', id);

  // contrast of every letter that is shown, with the ground that is painted behind it
  const color = text => { const [r, g, b, a = 1] = text.match(/[\d.]+/g).map(Number); return {rgb: [r, g, b], a}; };
  const over = (top, ground) => top.rgb.map((c, i) => c * top.a + ground[i] * (1 - top.a));
  const ground = element => {
    if (!element) return [255, 255, 255];
    const own = color(getComputedStyle(element).backgroundColor);
    return own.a === 1 ? own.rgb : over(own, ground(element.parentElement));
  };
  const luminance = rgb => rgb.map(c => c / 255).map(c => c <= 0.03928 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4)
    .reduce((sum, c, i) => sum + c * [0.2126, 0.7152, 0.0722][i], 0);
  const check = (element, front) => {
    const style = getComputedStyle(element), behind = ground(element), size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    const [dark, light] = [luminance(over(front, behind)), luminance(behind)].sort((a, b) => a - b);
    const ratio = (light + 0.05) / (dark + 0.05);
    if (ratio < (large ? 3 : 4.5)) say(`1.4.3 contrast ${ratio.toFixed(2)}`, element);
    return ratio;
  };
  let letters = 0;
  for (const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT); walk.nextNode();) {
    const element = walk.currentNode.parentElement;
    if (!walk.currentNode.textContent.trim() || !seen(element) || element.closest('script, style')) continue;
    check(element, color(getComputedStyle(element).color));
    if (!element.closest('main, nav, header, footer, aside')) say('1.3.1 text outside all parts', element);
    letters += 1;
  }
  for (const letter of all('svg g[id*="text_"] use, svg text')) {  // letters of a drawing may be paths
    if (!seen(letter)) continue;
    const fill = getComputedStyle(letter).fill;
    check(letter, fill === 'none' ? {rgb: [255, 255, 255], a: 1} : color(fill));
    letters += 1;
  }
  if (!letters) say('nothing was looked at', 'page');
  return wrong;
}
