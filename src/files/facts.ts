// What is known of the files from outside their own segments: the on-board descriptor, itself a downlinked file, and the
// catalogue kept on the ground. Descriptor contents are untrusted: a line that makes no sense is passed over.
import { type Ranges, subtractRanges } from '../bytes/ranges.js';
import type { CatalogueChecksum, FileFacts } from '../mission/mission.js';

const CHECKSUM_DIGITS: Readonly<Record<CatalogueChecksum, number>> = { crc32: 8, md5: 32, sha1: 40, sha256: 64 };

/**
 * Reads a descriptor: CSV with a header row (`file,name,bytes,crc32`; columns in any order, further ones ignored), or a JSON array
 * of objects with those names.
 *
 * @param content the descriptor file, holes zero-filled
 * @param received byte ranges that arrived; of a CSV only lines that arrived whole are used, a JSON only when it is whole
 */
export function readDescriptor(content: Buffer, received: Ranges, format: 'csv' | 'json'): FileFacts[] {
  const gaps = subtractRanges([0, content.length], received);
  if (format === 'json') return gaps.length === 0 ? readJson(content) : [];
  const lines = wholeLines(content, gaps);
  const header = lines[0]?.start === 0 ? splitCsv(lines[0].text).map((name) => name.trim().toLowerCase()) : [];
  // Without its first line the usual order of columns is the best guess there is, and a wrong checksum would show it.
  const columns = header.includes('file') ? header : ['file', 'name', 'bytes', 'crc32'];
  return lines.flatMap(({ text }) => {
    const cells = splitCsv(text);
    return readFacts(Object.fromEntries(columns.map((column, i) => [column, cells[i]?.trim()]))) ?? [];
  });
}

function wholeLines(content: Buffer, gaps: Ranges): { start: number; text: string }[] {
  const lines: { start: number; text: string }[] = [];
  let gap = 0;
  for (let start = 0; start < content.length; ) {
    const feed = content.indexOf(10, start);
    const end = feed < 0 ? content.length : feed;
    // A line is whole only when the line feed before it and its own arrived too.
    while (gap < gaps.length && gaps[gap + 1]! <= Math.max(0, start - 1)) gap += 2;
    const broken = gap < gaps.length && gaps[gap]! <= end;
    const text = broken ? '' : content.toString('utf8', start, end).replace(/^\ufeff|\r$/g, '');
    // A line feed inside quotes (RFC 4180, 2.6) cuts a name in two: neither half makes sense.
    if (text !== '' && text.split('"').length % 2 === 1) lines.push({ start, text });
    start = end + 1;
  }
  return lines;
}

/** Splits one line of RFC 4180 CSV. */
function splitCsv(line: string): string[] {
  const cells: string[] = [];
  for (const match of line.matchAll(/(?:^|,)(?:"((?:[^"]|"")*)"|([^,]*))/g)) {
    cells.push(match[1]?.replaceAll('""', '"') ?? match[2] ?? '');
  }
  return cells;
}

function readJson(content: Buffer): FileFacts[] {
  try {
    const list: unknown = JSON.parse(content.toString('utf8'));
    return Array.isArray(list) ? list.flatMap((entry) => readFacts(entry as Record<string, unknown>) ?? []) : [];
  } catch {
    return [];
  }
}

function readFacts(entry: Record<string, unknown> | null): FileFacts | null {
  const file = wholeNumber(entry?.['file']);
  if (!entry || file === undefined) return null;
  const bytes = wholeNumber(entry['bytes']);
  const name = typeof entry['name'] === 'string' && entry['name'] !== '' ? entry['name'] : undefined;
  const checksum = (Object.keys(CHECKSUM_DIGITS) as CatalogueChecksum[]).flatMap((algorithm) => {
    const value = String(entry[algorithm] ?? '').toLowerCase();
    return /^[0-9a-f]+$/.test(value) && value.length === CHECKSUM_DIGITS[algorithm] ? [{ algorithm, value }] : [];
  })[0];
  return { file, ...(name && { name }), ...(bytes !== undefined && { bytes }), ...(checksum && { checksum }) };
}

function wholeNumber(value: unknown): number | undefined {
  const number = typeof value === 'string' && /^\d+$/.test(value) ? Number(value) : value;
  return typeof number === 'number' && Number.isSafeInteger(number) && number >= 0 ? number : undefined;
}

/**
 * All facts of one file, in the order they became known, each completed by what the others add without contradicting it: a
 * catalogue that knows only the name and a descriptor that knows size and checksum make one.
 */
export function joinFacts(facts: readonly FileFacts[]): FileFacts[] {
  const joined: FileFacts[] = [];
  for (const next of facts) {
    const at = joined.findIndex((known) => agree(known, next));
    if (at < 0) joined.push(next);
    else joined[at] = { ...next, ...joined[at] };
  }
  return joined;
}

function agree(a: FileFacts, b: FileFacts): boolean {
  const sameBytes = a.bytes === undefined || b.bytes === undefined || a.bytes === b.bytes;
  const comparable = a.checksum && b.checksum && a.checksum.algorithm === b.checksum.algorithm;
  // The first name given stands (the catalogue's); a later one does not make another file of the same content.
  const sameContent = comparable ? a.checksum?.value === b.checksum?.value : true;
  const sameStored = a.stored === undefined || b.stored === undefined || a.stored === b.stored;
  return a.file === b.file && sameStored && sameBytes && sameContent;
}
