// Undoes what report/pack-document.ts did: base64 and raw deflate (RFC 1951), by what the browser itself has.
import type { PackedDocument, PackedParts, PageDocument } from '../../report/page-document.js';

export async function unpackDocument({ packed, files, ...rest }: PackedDocument): Promise<PageDocument> {
  const bytes = Uint8Array.from(atob(packed), (character) => character.charCodeAt(0));
  const text = new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream('deflate-raw')));
  const { strips, ...parts } = JSON.parse(await text.text()) as PackedParts;
  return { ...rest, ...parts, files: files.map((file, i) => ({ ...file, strip: strips[i] ?? null })) };
}
