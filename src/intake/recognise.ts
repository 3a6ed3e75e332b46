// What a file or an archive entry is, by its first bytes and never by its name. One row per container: a new one is a new row.
// Signatures: gzip RFC 1952, 2.3.1 (the method byte is always 8); zip APPNOTE 6.3.10, 4.3.7, 4.3.16 and 8.5.4 (local header,
// end of an empty archive, marker of a split archive).
import type { Container } from './source.js';

const signatures: readonly { readonly container: Container; readonly bytes: readonly number[] }[] = [
  { container: 'gzip', bytes: [0x1f, 0x8b, 0x08] },
  { container: 'zip', bytes: [0x50, 0x4b, 0x03, 0x04] },
  { container: 'zip', bytes: [0x50, 0x4b, 0x05, 0x06] },
  { container: 'zip', bytes: [0x50, 0x4b, 0x07, 0x08] },
];

/** How many first bytes `recognise` and `isText` are best given. */
export const HEAD_BYTES = 512;

/** The container that begins with `head`; `raw` where no signature fits. */
export function recognise(head: Uint8Array): Container {
  const found = signatures.find(({ bytes }) => bytes.every((byte, i) => head[i] === byte));
  return found?.container ?? 'raw';
}

/**
 * Whether `head` is the beginning of a text (a README, a log, a sidecar in JSON or XML): UTF-8 without control characters.
 * 512 bytes of a downlink that look like this do not occur by chance; where the user names such a file himself, it is read anyway.
 */
export function isText(head: Uint8Array): boolean {
  if (head.length === 0) return false;
  for (const byte of head) if (byte === 0x7f || (byte < 0x20 && !(byte >= 0x09 && byte <= 0x0d))) return false;
  try {
    // As a stream, so that a character cut at the end of `head` is no error.
    new TextDecoder('utf-8', { fatal: true }).decode(head, { stream: true });
    return true;
  } catch {
    return false;
  }
}

/** Hidden files and what operating systems add to archives of their own accord: common practice. */
export function isHidden(name: string): boolean {
  return name.split('/').some((step) => step.startsWith('.') || step === '__MACOSX' || step === 'Thumbs.db');
}
