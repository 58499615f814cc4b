// Opens reports in a browser and tells what is wrong with them: node check.mjs CHROMIUM FOLDER [--shots FOLDER]
// Every page in the folder is looked at light, dark, on paper and on a phone. Prints one JSON object.
import { readdirSync, readFileSync, mkdirSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { chromium } from 'playwright-core';

const [executablePath, folder, , shots] = process.argv.slice(2);
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
// Long enough for a machine that is busy with other things.
const timeout = 180_000;
const browser = await chromium.launch({
  executablePath,
  timeout,
  args: ['--no-sandbox', '--disable-gpu', '--disable-background-networking'],
});
const WAYS = [
  { name: 'light', colorScheme: 'light', width: 1000 },
  { name: 'dark', colorScheme: 'dark', width: 1000 },
  { name: 'paper', colorScheme: 'dark', width: 1000, media: 'print' },
  { name: 'phone', colorScheme: 'light', width: 375 },
];
const report = { looks: 0, faults: [], icons: [], papers: {} };
if (shots) mkdirSync(shots, { recursive: true });

for (const file of readdirSync(folder).filter((name) => name.endsWith('.html')).sort()) {
  for (const { name, colorScheme, width, media = 'screen' } of WAYS) {
    const say = (what) => report.faults.push(`${file}, ${name}: ${what}`);
    const page = await browser.newPage({ viewport: { width, height: 900 }, colorScheme });
    page.setDefaultTimeout(timeout);
    page.on('request', (request) => {
      if (!request.isNavigationRequest()) say(`loads ${request.url()}`);
    });
    page.on('console', (message) => say(`the browser says: ${message.text()}`));
    await page.emulateMedia({ media, colorScheme });
    await page.goto(pathToFileURL(join(folder, file)).href);
    report.looks += 1;

    const found = await page.evaluate(() => ({
      wide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
      paper: getComputedStyle(document.body).backgroundColor,
      foreign: [...document.querySelectorAll('script, iframe, img, object, embed, link, form, a, b, i, [onclick], [onload], [onerror]')].map(
        (element) => element.outerHTML.slice(0, 80),
      ),
      small: [...document.querySelectorAll('svg text')]
        .filter((text) => text.textContent.trim() && text.getBoundingClientRect().height < 5.5)
        .map((text) => text.textContent),
    }));
    if (found.wide > 0) say(`is ${found.wide} pixels wider than its window`);
    if (found.foreign.length) say(`has elements that no report has: ${found.foreign.join(' ')}`);
    if (found.small.length) say(`has texts too small to read: ${found.small.slice(0, 5).join(' ')}`);
    if (media === 'print' && found.paper !== 'rgb(255, 255, 255)') say(`prints on ${found.paper}`);

    const results = await page.evaluate(`${axe}; axe.run(document, { resultTypes: ['violations'] })`);
    for (const { id, impact, nodes } of results.violations) {
      say(`axe, ${impact}: ${id}: ${nodes.slice(0, 3).map((node) => node.html.slice(0, 120)).join(' | ')}`);
    }
    if (shots) await page.screenshot({ path: join(shots, `${file.replace('.html', '')}-${name}.png`), fullPage: true });
    if (name === 'light' && file.startsWith('sweep')) await icons(page);
    if (media === 'print') {
      const pdf = await page.pdf({ format: 'A4', preferCSSPageSize: true });
      report.papers[file] = pdf.toString('latin1').match(/\/Type\s*\/Page\b(?!s)/g)?.length ?? 0;
    }
    await page.close();
  }
}
await browser.close();
console.log(JSON.stringify(report));

// How far the signs of the legend differ when all colour is taken away: the share of pixels that differ by a
// quarter of full brightness, for each pair.
async function icons(page) {
  await page.evaluate(() => {
    document.documentElement.style.filter = 'grayscale(1)';
    for (const icon of document.querySelectorAll('.legend .icon')) icon.style.cssText = 'inline-size:48px;block-size:48px';
  });
  const pictures = [];
  for (const sign of await page.locator('figure.drawing').first().locator('.legend .sign').all()) {
    const picture = await sign.locator('svg').screenshot();
    pictures.push({ word: (await sign.textContent()).replace(/^[!?]/, ''), data: picture.toString('base64') });
  }
  const blank = await browser.newPage();
  blank.setDefaultTimeout(timeout);
  const compared = await blank.evaluate(async (pictures) => {
    const pixels = [];
    for (const { data } of pictures) {
      const image = new Image();
      image.src = `data:image/png;base64,${data}`;
      await image.decode();
      const canvas = Object.assign(document.createElement('canvas'), { width: 48, height: 48 });
      const context = canvas.getContext('2d');
      context.drawImage(image, 0, 0);
      pixels.push(context.getImageData(0, 0, 48, 48).data);
    }
    const pairs = [];
    for (let a = 0; a < pixels.length; a += 1) {
      for (let b = a + 1; b < pixels.length; b += 1) {
        let differing = 0;
        for (let at = 0; at < pixels[a].length; at += 4) if (Math.abs(pixels[a][at] - pixels[b][at]) > 64) differing += 1;
        pairs.push({ a: pictures[a].word, b: pictures[b].word, share: differing / (48 * 48) });
      }
    }
    return pairs;
  }, pictures);
  report.icons.push(...compared);
  await blank.close();
}
