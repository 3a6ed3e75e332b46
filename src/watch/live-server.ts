// The live page: the page itself with the present document in it, documents and changes that follow as server-sent events (HTML
// standard, 9.2), and the files that the present coverage lists. Nothing else is served, nothing can be changed from outside.
import { createHash } from 'node:crypto';
import http, { type IncomingMessage, type ServerResponse } from 'node:http';
import type { AddressInfo, Socket } from 'node:net';
import path from 'node:path';
import { UsageError } from '../errors.js';
import { livePage } from '../report/html.js';
import type { Report } from '../report/model.js';
import type { DocumentChanges, LiveState, PackedDocument, PackedFile } from '../report/page-document.js';
import { type Access, type ListenAddress, LiveAccess } from './live-access.js';
import { sendFile } from './send-file.js';

/** Browsers that are told of changes at a time. */
const MOST_LISTENERS = 200;
const KEEP_ALIVE_MS = 15_000;
/** For what was sent last to reach the browsers. */
const LAST_WORDS_MS = 200;

/** For what came down: it is looked at, nothing of it runs, and it loads nothing but itself. */
const FILE_POLICY =
  "default-src 'none'; img-src 'self'; media-src 'self'; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox allow-same-origin";

type Listener = { readonly response: ServerResponse; behind: boolean };
type Shown = { readonly report: Report; readonly document: PackedDocument; readonly state: LiveState };

export class LiveServer {
  readonly #out: string;
  readonly #access: LiveAccess;
  readonly #server: http.Server;
  readonly #listeners = new Set<Listener>();
  /** Browsers open some in advance, on which they ask for nothing: the server does not count those among its own. */
  readonly #sockets = new Set<Socket>();
  readonly #keepAlive: NodeJS.Timeout;
  /** Small pictures by their address. */
  #pictures = new Map<string, { readonly type: string; readonly bytes: Buffer }>();
  /** Paths below the output folder. */
  #files = new Set<string>();
  #shown: Shown | undefined;
  /** The present document as an event; made when somebody is to get it. */
  #event: string | undefined;

  /** @param out the output folder */
  constructor(out: string, host: string) {
    this.#out = path.resolve(out);
    this.#access = new LiveAccess(host);
    this.#server = http.createServer((request, response) => {
      this.#answer(request, response).catch(() => response.destroy());
    });
    this.#server.on('connection', (socket) => {
      this.#sockets.add(socket);
      socket.on('close', () => this.#sockets.delete(socket));
    });
    this.#keepAlive = setInterval(() => this.#tell(': still here\n\n'), KEEP_ALIVE_MS);
  }

  /** @returns the address to open, with its key where one is needed. @throws UsageError where it cannot listen there */
  async listen({ host, port }: ListenAddress): Promise<string> {
    await new Promise<void>((listening, fail) => {
      this.#server.once('error', (error) => fail(new UsageError(`--listen ${host}:${port}: ${error.message}`)));
      this.#server.listen(port, host, listening);
    });
    const { port: own } = this.#server.address() as AddressInfo;
    const name = host.includes(':') ? `[${host}]` : host;
    const { key } = this.#access;
    return `http://${name}:${own}/${key === undefined ? '' : `?key=${key}`}`;
  }

  /** Shows another state of the campaign. */
  show(report: Report, document: PackedDocument, state: LiveState): void {
    const before = this.#pictures;
    this.#pictures = new Map();
    const packed = { ...document, files: document.files.map((file) => this.#withPicture(file)) };
    // A page that has the last document may still ask for its pictures.
    for (const [place, picture] of before) {
      if (this.#pictures.size >= 2 * document.files.length + 8) break;
      if (!this.#pictures.has(place)) this.#pictures.set(place, picture);
    }
    this.#present({ report, document: packed, state });
    for (const listener of this.#listeners) this.#send(listener);
  }

  /** Shows what has changed since, of the same files. */
  change(report: Report, { files, ...rest }: DocumentChanges, state: LiveState): void {
    if (!this.#shown) return;
    const changed = new Map(files.map((file) => [file.id, this.#withPicture(file)]));
    const { document } = this.#shown;
    const all = document.files.map((file) => changed.get(file.id) ?? file);
    this.#present({ report, document: { ...document, ...rest, files: all }, state });
    this.#tell(eventText('changes', { changes: { ...rest, files: [...changed.values()] }, state }), true);
  }

  /** Tells what changes between documents. */
  showState(state: LiveState): void {
    if (!this.#shown) return;
    this.#shown = { ...this.#shown, state };
    this.#event = undefined;
    this.#tell(eventText('state', state));
  }

  async close(): Promise<void> {
    clearInterval(this.#keepAlive);
    for (const { response } of this.#listeners) response.end('event: ended\ndata: {}\n\n');
    const closed = new Promise<void>((close) => this.#server.close(() => close()));
    const cutting = setTimeout(() => {
      for (const socket of this.#sockets) socket.destroy();
    }, LAST_WORDS_MS);
    await closed;
    clearTimeout(cutting);
  }

  async #answer(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const url = readUrl(request);
    response.setHeader('X-Content-Type-Options', 'nosniff');
    response.setHeader('Referrer-Policy', 'no-referrer');
    response.setHeader('Cross-Origin-Resource-Policy', 'same-origin');
    response.setHeader('Content-Security-Policy', FILE_POLICY);
    if (!url) return refuse(response, 400, 'This is no address.');
    const access = this.#access.judge(request, url);
    if (access !== 'granted' && access !== 'key-given') return refuse(response, 403, refusals[access]);
    if (request.method !== 'GET' && request.method !== 'HEAD') {
      response.setHeader('Allow', 'GET, HEAD');
      return refuse(response, 405, 'Nothing can be changed from here.');
    }
    if (access === 'key-given') {
      // Out of the address bar and the history.
      response.writeHead(303, { Location: '/', 'Set-Cookie': this.#access.cookie, 'Cache-Control': 'no-store' }).end();
      return;
    }
    const place = placeOf(url);
    if (place === '') return this.#sendPage(response);
    if (place === 'events') return this.#listen(request, response);
    const picture = this.#pictures.get(place);
    if (picture) {
      response.writeHead(200, { 'Content-Type': picture.type, 'Cache-Control': 'private, max-age=86400, immutable' });
      response.end(picture.bytes);
    } else if (this.#files.has(place)) await sendFile(path.join(this.#out, ...place.split('/')), request, response);
    else refuse(response, 404, 'There is nothing here.');
  }

  #sendPage(response: ServerResponse): void {
    if (!this.#shown) {
      response.writeHead(200, {
        'Content-Type': 'text/plain; charset=utf-8',
        'Cache-Control': 'no-store',
        Refresh: '1',
      });
      response.end('The recordings are being opened; this page comes by itself.\n');
      return;
    }
    const { text, policy } = livePage(this.#shown.report, this.#shown.document, this.#shown.state);
    response.setHeader('Content-Security-Policy', `${policy}; frame-ancestors 'none'`);
    response.writeHead(200, { 'Content-Type': 'text/html; charset=utf-8', 'Cache-Control': 'no-store' }).end(text);
  }

  #listen(request: IncomingMessage, response: ServerResponse): void {
    if (this.#listeners.size >= MOST_LISTENERS) {
      refuse(response, 503, 'Too many pages are open.');
      return;
    }
    response.writeHead(200, { 'Content-Type': 'text/event-stream; charset=utf-8', 'Cache-Control': 'no-store' });
    const listener: Listener = { response, behind: false };
    this.#listeners.add(listener);
    request.on('close', () => this.#listeners.delete(listener));
    response.on('drain', () => {
      if (!listener.behind) return;
      listener.behind = false;
      this.#send(listener);
    });
    response.write('retry: 1000\n\n');
    if (this.#shown) this.#send(listener);
  }

  #present(shown: Shown): void {
    const { files } = shown.report.coverage;
    this.#files = new Set(files.flatMap(({ path, salvage }) => [path, salvage?.path ?? null].filter(isThere)));
    this.#shown = shown;
    this.#event = undefined;
  }

  /** A browser that is slow gets the newest document when it is ready for it, not all of them. */
  #send(listener: Listener): void {
    if (listener.response.writableNeedDrain) {
      listener.behind = true;
      return;
    }
    const { document, state } = this.#shown!;
    this.#event ??= eventText('document', { document, state });
    listener.response.write(this.#event);
  }

  /** @param isNeeded whoever is too slow for it needs the document then */
  #tell(text: string, isNeeded = false): void {
    for (const listener of this.#listeners) {
      if (!listener.response.writableNeedDrain) listener.response.write(text);
      else if (isNeeded) listener.behind = true;
    }
  }

  /** With its small picture by address: a browser asks for each but once. */
  #withPicture(file: PackedFile): PackedFile {
    const source = file.thumbnail?.source ?? '';
    const [, type, data] = /^data:([a-z]+\/[a-z+.-]+);base64,(.*)$/s.exec(source) ?? [];
    if (!file.thumbnail || type === undefined || data === undefined) return file;
    const place = `pictures/${createHash('sha256').update(data).digest('base64url').slice(0, 22)}`;
    this.#pictures.set(place, { type, bytes: Buffer.from(data, 'base64') });
    return { ...file, thumbnail: { ...file.thumbnail, source: `./${place}` } };
  }
}

/** As server-sent events are written; JSON has no line breaks. */
function eventText(event: string, data: unknown): string {
  return `event: ${event}\ndata: ${JSON.stringify(data)}\n\n`;
}

const refusals: Readonly<Record<Exclude<Access, 'granted' | 'key-given'>, string>> = {
  'no-key': 'A key is needed: open the address that passweave watch printed.',
  'wrong-host': 'This address is not one of this machine’s names: open the one that passweave watch printed.',
};

function refuse(response: ServerResponse, status: number, words: string): void {
  response.writeHead(status, { 'Content-Type': 'text/plain; charset=utf-8', 'Cache-Control': 'no-store' });
  response.end(`${words}\n`);
}

function readUrl({ url = '' }: IncomingMessage): URL | undefined {
  try {
    return url.startsWith('/') ? new URL(`http://page${url}`) : undefined;
  } catch {
    return undefined;
  }
}

/** The path without its first `/`, decoded; what is not among the listed ones is not served, whatever it looks like. */
function placeOf({ pathname }: URL): string {
  try {
    return decodeURIComponent(pathname.slice(1));
  } catch {
    return '\0';
  }
}

function isThere<T>(value: T | null): value is T {
  return value !== null;
}
