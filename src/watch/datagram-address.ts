// Where datagrams are awaited: `udp://HOST:PORT`, the host a name, an address, or a multicast group of IPv4 or IPv6.
// Standards: RFC 3986, 3.2.2 (brackets), RFC 4007, 11 (`%` and the zone of a link-local address), RFC 5771 and RFC 4291, 2.7 (groups).
import { isIPv4, isIPv6 } from 'node:net';
import { UsageError } from '../errors.js';

/**
 * Reads `udp://HOST:PORT`.
 *
 * @returns `undefined` for what does not begin like this: a path
 * @throws UsageError where the rest does not fit
 */
export function readDatagramUrl(text: string): { host: string; port: number } | undefined {
  if (!text.startsWith('udp://')) return undefined;
  const [, inBrackets, plain, port] =
    /^udp:\/\/(?:\[([0-9A-Fa-f:.]+(?:%[0-9A-Za-z._-]+)?)\]|([0-9A-Za-z.-]+)):(\d{1,5})$/.exec(text) ?? [];
  const host = inBrackets ?? plain;
  const isAddress = inBrackets === undefined || isIPv6(inBrackets);
  if (host === undefined || !isAddress || Number(port) > 65535) {
    throw new UsageError(`${text}: expected udp://HOST:PORT, for instance udp://0.0.0.0:5005 or udp://[::]:5005`);
  }
  return { host, port: Number(port) };
}

/** Whether `host` is the address of a multicast group. */
export function isGroup(host: string): boolean {
  if (isIPv4(host)) return (Number(host.split('.')[0]) & 0xf0) === 0xe0;
  return isIPv6(host) && /^ff/i.test(host);
}

/** A folder's name for what comes from an address; that of an IPv4 sender is the same on a socket of IPv6. */
export function folderOf(address: string): string {
  const own = /^::ffff:([0-9.]+)$/i.exec(address)?.[1] ?? address;
  return own.replaceAll(/[^0-9A-Za-z.]+/g, '-').replace(/^-/, '0-');
}
