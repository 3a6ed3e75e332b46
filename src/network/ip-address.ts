// IP addresses as text and as bytes. Standards: RFC 791 (dotted decimal by common practice), RFC 4291 and RFC 5952 (IPv6 text).
import { isIPv4, isIPv6 } from 'node:net';

/** The one way to write an IPv6 address (lower case, longest run of zeros left out): the URL parser of Node knows it. */
const canonical = (text: string): string => new URL(`http://[${text}]`).hostname.slice(1, -1);

/** The address of 4 or 16 bytes at `start`. */
export function addressText(bytes: Uint8Array, start: number, length: number): string {
  const own = bytes.subarray(start, start + length);
  if (length === 4) return own.join('.');
  const groups = Array.from({ length: 8 }, (_, i) => ((own[2 * i]! << 8) | own[2 * i + 1]!).toString(16));
  return canonical(groups.join(':'));
}

/** Its 4 or 16 bytes; `null` where `text` is no address (names and zones such as `%eth0` are none). */
export function addressBytes(text: string): Uint8Array | null {
  if (isIPv4(text)) return Uint8Array.from(text.split('.'), Number);
  if (!isIPv6(text) || text.includes('%')) return null;
  const [head = '', tail] = canonical(text).split('::');
  const groups = (part: string): number[] =>
    part === '' ? [] : part.split(':').map((group) => Number.parseInt(group, 16));
  const before = groups(head);
  const after = groups(tail ?? '');
  const all = [...before, ...new Array<number>(8 - before.length - after.length).fill(0), ...after];
  return Uint8Array.from(all.flatMap((group) => [group >> 8, group & 255]));
}
