// The page's document as text inside a page: JSON with `<` escaped, and what is long in it (strips, stretches, ranges) deflated
// (RFC 1951) and in base64, which browsers undo by themselves. The page stays small whatever was received.
import { deflateRawSync } from 'node:zlib';
import { makeDocument, type PageDocumentOptions } from './make-document.js';
import type { Report } from './model.js';
import type { PackedDocument, PackedParts } from './page-document.js';

/** Characters that the packed part may take: with 1,000 files' facts and the views the page stays below 3 MB. */
const PACKED_LIMIT = 1_900_000;

/** From the whole truth to what always fits; each step tells less of how often segments came, never less of what is missing. */
const STEPS: readonly PageDocumentOptions[] = [
  {},
  { countedTo: 2 },
  { countedTo: 2, stripColumns: 1000, mostMissing: 5000 },
  { countedTo: 1, stripColumns: 250, mostMissing: 1000 },
];

/** @returns the document of the first of `STEPS` that fits, packed */
export function packDocument(report: Report, repeats: string | null): PackedDocument {
  for (const [i, step] of STEPS.entries()) {
    const { missing, timeline, files, ...rest } = makeDocument(report, step);
    const parts: PackedParts = { missing, timeline, strips: files.map(({ strip }) => strip) };
    const packed = deflateRawSync(JSON.stringify(parts), { level: 6 }).toString('base64');
    if (packed.length > PACKED_LIMIT && i < STEPS.length - 1) continue;
    return { ...rest, repeats, files: files.map(({ strip: _, ...file }) => file), packed };
  }
  throw new Error('no step is left');
}

/** JSON that can stand inside a script element: no `<` in it, and no line separators. */
export function inlineJson(value: unknown): string {
  const escapes: Readonly<Record<string, string>> = { '<': '\\u003c', '\u2028': '\\u2028', '\u2029': '\\u2029' };
  return JSON.stringify(value).replace(/[<\u2028\u2029]/g, (character) => escapes[character]!);
}
