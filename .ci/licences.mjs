// Holds the licence of every package that is built against the lists in .cargo/deny.toml.
import { execFileSync } from 'node:child_process';
import { readFileSync } from 'node:fs';

const deny = readFileSync('.cargo/deny.toml', 'utf8');
const list = (text) => [...text.matchAll(/"([^"]+)"/g)].map((match) => match[1]);
const allowed = new Set(list(deny.match(/^allow = \[([^\]]*)\]/m)[1]));
const exceptions = new Map([...deny.matchAll(/crate = "([^"]+)", allow = \[([^\]]*)\]/g)].map((match) => [match[1], list(match[2])]));

const options = { encoding: 'utf8', maxBuffer: 1 << 28, stdio: ['ignore', 'pipe', 'inherit'] };
const metadata = JSON.parse(execFileSync('cargo', ['metadata', '--format-version', '1', '--locked', '--all-features'], options));

let bad = 0;
for (const { name, license } of metadata.packages) {
  const mine = new Set([...allowed, ...(exceptions.get(name) ?? [])]);
  // SPDX: any of the alternatives, all of the parts of one. A slash is the old way to write OR.
  const good = (license ?? '').replaceAll(/[()]/g, '').split(/ OR |\s*\/\s*/)
    .some((alternative) => alternative.split(' AND ').every((part) => mine.has(part.trim())));
  if (good) continue;
  console.error(`${name}: expected a licence that .cargo/deny.toml allows, found ${license ?? 'none'}`);
  bad++;
}
console.log(`${metadata.packages.length} packages, ${bad} with a licence that is not allowed`);
process.exit(bad ? 1 : 0);
