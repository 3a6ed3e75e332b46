// What a file or an archive entry is, by its first bytes and never by its name. One row per container: a new one is a new row.
// Signatures: gzip RFC 1952, 2.3.1 (the method byte is always 8); zip APPNOTE 6.3.10, 4.3.7, 4.3.16 and 8.5.4 (local header,
// end of an empty archive, marker of a split archive); pcap and pcapng: their magic numbers in either byte order.
import type { CaptureFormat } from './capture-parser.js';
import type { Container } from './source.js';

type Signature = {
  readonly container: Container;
  readonly capture?: CaptureFormat;
  readonly bytes: readonly (number | null)[];
};

const signatures: readonly Signature[] = [
  { container: 'gzip', bytes: [0x1f, 0x8b, 0x08] },
  { container: 'zip', bytes: [0x50, 0x4b, 0x03, 0x04] },
  { container: 'zip', bytes: [0x50, 0x4b, 0x05, 0x06] },
  { container: 'zip', bytes: [0x50, 0x4b, 0x07, 0x08] },
  { container: 'capture', capture: 'pcap', bytes: [0xa1, 0xb2, 0xc3, 0xd4] },
  { container: 'capture', capture: 'pcap', bytes: [0xd4, 0xc3, 0xb2, 0xa1] },
  { container: 'capture', capture: 'pcap', bytes: [0xa1, 0xb2, 0x3c, 0x4d] },
  { container: 'capture', capture: 'pcap', bytes: [0x4d, 0x3c, 0xb2, 0xa1] },
  {
    container: 'capture',
    capture: 'pcapng',
    bytes: [0x0a, 0x0d, 0x0d, 0x0a, null, null, null, null, 0x1a, 0x2b, 0x3c, 0x4d],
  },
  {
    container: 'capture',
    capture: 'pcapng',
    bytes: [0x0a, 0x0d, 0x0d, 0x0a, null, null, null, null, 0x4d, 0x3c, 0x2b, 0x1a],
  },
];

const signatureOf = (head: Uint8Array): Signature | undefined =>
  signatures.find(({ bytes }) => bytes.every((byte, i) => byte === null || head[i] === byte));

/** How many first bytes `recognise` and `isText` are best given. */
export const HEAD_BYTES = 512;

/** The container that begins with `head`; `raw` where no signature fits. */
export function recognise(head: Uint8Array): Container {
  return signatureOf(head)?.container ?? 'raw';
}

/** Which format of capture begins with `head`; `undefined` for everything that is no capture. */
export function captureFormat(head: Uint8Array): CaptureFormat | undefined {
  return signatureOf(head)?.capture;
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
