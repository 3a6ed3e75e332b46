// Who may see the live page. Pages of strangers may send requests here from the same browser: so the Host header must name this
// machine (a name of theirs that leads to our address does not), and other sites may not embed what we send. On an address that others
// reach, a key that is made anew for each run is needed once; a cookie stands for it from then on.
import { createHash, randomBytes, timingSafeEqual } from 'node:crypto';
import type { IncomingMessage } from 'node:http';
import { isIP } from 'node:net';
import os from 'node:os';
import { UsageError } from '../errors.js';

export type ListenAddress = { readonly host: string; readonly port: number };

/** `HOST:PORT`, `[ADDRESS]:PORT`. @throws UsageError */
export function readListenAddress(text: string): ListenAddress {
  const [, inBrackets, plain, port] = /^(?:\[([0-9A-Fa-f:.]+)\]|([0-9A-Za-z.-]+)):(\d{1,5})$/.exec(text) ?? [];
  const host = inBrackets ?? plain;
  if (host === undefined || Number(port) > 65535) {
    throw new UsageError(`--listen ${text}: expected HOST:PORT, for instance 127.0.0.1:8080`);
  }
  return { host, port: Number(port) };
}

export function isLoopback(host: string): boolean {
  return host === 'localhost' || host === '::1' || /^127(\.\d{1,3}){3}$/.test(host);
}

const COOKIE = 'passweave';

/** `wrong-host` and `no-key` are refused; `key-given`: the cookie is to be set. */
export type Access = 'granted' | 'key-given' | 'no-key' | 'wrong-host';

export class LiveAccess {
  /** To be given as `?key=`; `undefined` where only this machine can ask. */
  readonly key: string | undefined;
  readonly #token = randomBytes(24).toString('base64url');
  readonly #names: ReadonlySet<string>;

  constructor(host: string) {
    this.key = isLoopback(host) ? undefined : randomBytes(18).toString('base64url');
    const own = os.hostname().toLowerCase();
    this.#names = new Set(['localhost', host.toLowerCase(), own, `${own}.local`]);
  }

  judge(request: IncomingMessage, url: URL): Access {
    if (!this.#isOwnHost(request.headers.host)) return 'wrong-host';
    if (this.key === undefined || isSame(cookieOf(request), this.#token)) return 'granted';
    return isSame(url.searchParams.get('key') ?? '', this.key) ? 'key-given' : 'no-key';
  }

  /** For the header Set-Cookie. */
  get cookie(): string {
    return `${COOKIE}=${this.#token}; Path=/; HttpOnly; SameSite=Strict`;
  }

  /** A bare address cannot be another's name; names must be ours. */
  #isOwnHost(header: string | undefined): boolean {
    const host = /^(\[[^\]]*\]|[^:]*)(?::\d+)?$/.exec(header?.toLowerCase() ?? '')?.[1] ?? '';
    const bare = host.replace(/^\[|\]$/g, '');
    if (this.#names.has(bare)) return true;
    return isIP(bare) !== 0 && (this.key !== undefined || isLoopback(bare));
  }
}

function cookieOf({ headers }: IncomingMessage): string {
  for (const pair of (headers.cookie ?? '').split(';')) {
    const at = pair.indexOf('=');
    if (pair.slice(0, at).trim() === COOKIE) return pair.slice(at + 1).trim();
  }
  return '';
}

/** In a time that tells nothing of where they differ. */
function isSame(given: string, expected: string): boolean {
  const digest = (text: string): Buffer => createHash('sha256').update(text).digest();
  return timingSafeEqual(digest(given), digest(expected));
}
