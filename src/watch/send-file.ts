// Sends a file of the output folder to a browser, whole or one range of it (RFC 9110, 14: players seek by ranges), and again only
// when it has changed.
import { open } from 'node:fs/promises';
import type { IncomingMessage, ServerResponse } from 'node:http';
import path from 'node:path';
import { pipeline } from 'node:stream/promises';

/** What browsers show by themselves; everything else is handed over as bytes, so that nothing of it can run. */
const types: Readonly<Record<string, string>> = {
  '.jpg': 'image/jpeg',
  '.jpeg': 'image/jpeg',
  '.png': 'image/png',
  '.gif': 'image/gif',
  '.webp': 'image/webp',
  '.mp4': 'video/mp4',
  '.m4v': 'video/mp4',
  '.mov': 'video/quicktime',
  '.webm': 'video/webm',
  '.txt': 'text/plain; charset=utf-8',
  '.csv': 'text/plain; charset=utf-8',
  '.json': 'application/json',
};

/** @param file absolute */
export async function sendFile(file: string, request: IncomingMessage, response: ServerResponse): Promise<void> {
  const handle = await open(file, 'r').catch(() => undefined);
  if (!handle) {
    response.writeHead(404).end();
    return;
  }
  try {
    const { size, mtimeMs } = await handle.stat();
    const tag = `"${size.toString(36)}-${Math.round(mtimeMs * 1000).toString(36)}"`;
    const headers = {
      'Content-Type': types[path.extname(file).toLowerCase()] ?? 'application/octet-stream',
      'Cache-Control': 'no-cache',
      'Accept-Ranges': 'bytes',
      ETag: tag,
    };
    if (request.headers['if-none-match'] === tag) {
      response.writeHead(304, headers).end();
      return;
    }
    const range = rangeOf(request, size, tag);
    if (range === 'none') {
      response.writeHead(416, { 'Content-Range': `bytes */${size}` }).end();
      return;
    }
    const [start, end] = range ?? [0, size];
    response.writeHead(range ? 206 : 200, {
      ...headers,
      'Content-Length': end - start,
      ...(range && { 'Content-Range': `bytes ${start}-${end - 1}/${size}` }),
    });
    if (request.method === 'HEAD' || end === start) response.end();
    // A browser that goes away in the middle is no error.
    else
      await pipeline(handle.createReadStream({ start, end: end - 1, autoClose: false }), response).catch(
        () => undefined,
      );
  } finally {
    await handle.close();
  }
}

/** The one range asked for, half open; `undefined` = the whole file, `none` = it lies outside. */
function rangeOf({ headers }: IncomingMessage, size: number, tag: string): [number, number] | 'none' | undefined {
  const match = /^bytes=(\d*)-(\d*)$/.exec(headers.range ?? '');
  const condition = headers['if-range'];
  if (!match || (match[1] === '' && match[2] === '') || (condition !== undefined && condition !== tag))
    return undefined;
  const [, first = '', last = ''] = match;
  if (first === '') return size === 0 || Number(last) === 0 ? 'none' : [Math.max(0, size - Number(last)), size];
  const start = Number(first);
  const end = last === '' ? size : Math.min(size, Number(last) + 1);
  return start < end ? [start, end] : 'none';
}
