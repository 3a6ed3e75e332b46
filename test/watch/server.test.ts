// Who gets what from the live page's server: keys, host names, ranges, and nothing that the coverage does not list.
import { once } from 'node:events';
import fs from 'node:fs';
import http from 'node:http';
import net from 'node:net';
import path from 'node:path';
import { expect, onTestFinished, test } from 'vitest';
import type { Report } from '../../src/report/model.js';
import { packDocument } from '../../src/report/pack-document.js';
import { LiveServer } from '../../src/watch/live-server.js';
import { hostileReport } from '../support/hostile-report.js';
import { sampleReport } from '../support/sample-report.js';
import { scratchFolder } from './player.js';

const state = { at: 0, recordings: 1, growing: 1, waiting: 0, datagrams: null };

type Answer = { status: number; headers: http.IncomingHttpHeaders; body: Buffer };

async function serve(host = '127.0.0.1', change: (report: Report) => Report = (report) => report) {
  const out = scratchFolder();
  const report = change(await sampleReport());
  const server = new LiveServer(out, host);
  const address = new URL(await server.listen({ host, port: 0 }));
  onTestFinished(() => server.close());
  server.show(report, packDocument(report, null), state);
  const ask = (place: string, headers: Record<string, string> = {}, method = 'GET'): Promise<Answer> =>
    new Promise((resolve, reject) => {
      const { port } = address;
      const all = { Host: `127.0.0.1:${port}`, ...headers };
      const request = http.request({ host: '127.0.0.1', port, path: place, method, headers: all }, (response) => {
        const parts: Buffer[] = [];
        response.on('data', (part: Buffer) => parts.push(part));
        response.on('end', () =>
          resolve({ status: response.statusCode ?? 0, headers: response.headers, body: Buffer.concat(parts) }),
        );
      });
      request.on('error', reject);
      request.end();
    });
  return { out, report, server, address, ask };
}

test('the page comes with its document, and may run and ask for nothing but its own', async () => {
  const { ask, report } = await serve();
  const { status, headers, body } = await ask('/');
  expect(status).toBe(200);
  expect(body.toString()).toContain(`<title>${report.coverage.mission}: coverage</title>`);
  expect(headers['content-security-policy']).toMatch(/default-src 'none'.*connect-src 'self'.*frame-ancestors 'none'/);
  expect(headers['x-content-type-options']).toBe('nosniff');
  expect(headers['cross-origin-resource-policy']).toBe('same-origin');
  expect(headers['cache-control']).toBe('no-store');
});

test('a name that leads to this machine by someone else’s will is refused, its own names are not', async () => {
  const { ask, address } = await serve();
  const status = async (Host: string): Promise<number> => (await ask('/', { Host })).status;
  for (const host of [`127.0.0.1:${address.port}`, `localhost:${address.port}`, '[::1]:80', '127.0.0.2']) {
    expect(await status(host), host).toBe(200);
  }
  for (const host of ['rebound.example', 'rebound.example:80', '192.0.2.7:80', 'localhost.rebound.example']) {
    expect(await status(host), host).toBe(403);
  }
});

test('beyond this machine nothing comes without the key; it is needed once, then the cookie stands for it', async () => {
  const { ask, address } = await serve('0.0.0.0');
  const key = address.searchParams.get('key')!;
  expect(key.length).toBeGreaterThan(20);
  for (const place of ['/', '/events', '/?key=', `/?key=${key}x`, `/?key=${key.slice(1)}`, '/files/limb-0101.jpg']) {
    expect((await ask(place)).status, place).toBe(403);
  }
  const first = await ask(`/?key=${key}`);
  expect(first.status).toBe(303);
  expect(first.headers.location).toBe('/');
  const [cookie] = first.headers['set-cookie']!;
  expect(cookie).toMatch(/; HttpOnly; SameSite=Strict$/);
  expect(cookie).not.toContain(key);
  expect((await ask('/', { Cookie: `other=1; ${cookie!.split(';')[0]}` })).status).toBe(200);
  expect((await ask('/', { Cookie: `${cookie!.split(';')[0]}x` })).status).toBe(403);
  expect((await ask(`/?key=${key}`, { Host: 'rebound.example' })).status).toBe(403);
  const { address: another } = await serve('0.0.0.0');
  expect(another.searchParams.get('key')).not.toBe(key);
});

test('only files that the coverage lists are served, whatever the path looks like', async () => {
  const { ask, out, report, address } = await serve();
  const file = report.coverage.files.find(({ path }) => path?.startsWith('files/'))!;
  for (const folder of ['files', 'partial', 'salvage', 'ledger']) fs.mkdirSync(path.join(out, folder));
  fs.writeFileSync(path.join(out, file.path!), 'whole');
  fs.writeFileSync(path.join(out, 'files', 'unlisted.jpg'), 'secret');
  fs.writeFileSync(path.join(out, 'ledger', 'ledger.json'), 'secret');
  fs.writeFileSync(path.join(path.dirname(out), 'passweave-secret'), 'secret');
  onTestFinished(() => fs.rmSync(path.join(path.dirname(out), 'passweave-secret')));
  const listed = `/${file.path!.split('/').map(encodeURIComponent).join('/')}`;
  expect((await ask(listed)).body.toString()).toBe('whole');
  for (const place of [
    '/files/unlisted.jpg',
    '/ledger/ledger.json',
    '/../passweave-secret',
    '/files/../../passweave-secret',
    '/files/%2e%2e/%2e%2e/passweave-secret',
    '/files/..%2f..%2fpassweave-secret',
    '/files/..%5c..%5cpassweave-secret',
    '//etc/passwd',
    '/%00',
    '/%',
    `${listed}/`,
    `${listed}%00`,
  ]) {
    const { status, body } = await ask(place);
    expect([status, body.toString()], place).toEqual([404, 'There is nothing here.\n']);
  }
  expect((await ask(`http://127.0.0.1:${address.port}/`)).status).toBe(400);
  expect((await ask(listed, {}, 'POST')).status).toBe(405);
});

test('files are sent by ranges, and again only when they have changed; none of them can run', async () => {
  const { ask, out, report } = await serve();
  const file = report.coverage.files.find(({ path }) => path?.startsWith('files/'))!;
  fs.mkdirSync(path.join(out, 'files'));
  fs.writeFileSync(path.join(out, file.path!), '0123456789');
  const place = `/${file.path}`;
  const range = async (text: string): Promise<[number, string]> => {
    const { status, body } = await ask(place, { Range: text });
    return [status, body.toString()];
  };
  expect(await range('bytes=2-4')).toEqual([206, '234']);
  expect(await range('bytes=7-')).toEqual([206, '789']);
  expect(await range('bytes=-2')).toEqual([206, '89']);
  expect(await range('bytes=8-99')).toEqual([206, '89']);
  expect(await range('bytes=10-')).toEqual([416, '']);
  expect(await range('bytes=5-3')).toEqual([416, '']);
  expect(await range('lines=1-2')).toEqual([200, '0123456789']);
  const { headers } = await ask(place);
  expect(headers['content-security-policy']).toMatch(/default-src 'none'.*sandbox/);
  expect((await ask(place, { 'If-None-Match': headers.etag! })).status).toBe(304);
  fs.writeFileSync(path.join(out, file.path!), '0123456789ab');
  expect((await ask(place, { 'If-None-Match': headers.etag! })).body.toString()).toBe('0123456789ab');
  expect((await ask(place, {}, 'HEAD')).body).toHaveLength(0);
});

test('it closes at once, whatever browsers keep open', async () => {
  const { server, address } = await serve();
  const socket = net.connect(Number(address.port), '127.0.0.1');
  await once(socket, 'connect');
  http.get(`http://127.0.0.1:${address.port}/events`).on('error', () => undefined);
  const began = performance.now();
  await server.close();
  expect(performance.now() - began).toBeLessThan(2000);
});

test('hostile names stay data in the page and in the events', async () => {
  const { ask, address } = await serve('127.0.0.1', hostileReport);
  const { body } = await ask('/');
  const text = body.toString();
  expect(text).not.toContain('<img src=x');
  expect(text.match(/<script/g)).toHaveLength(2);
  const event = await new Promise<string>((resolve) => {
    http.get(`http://127.0.0.1:${address.port}/events`, (response) => {
      let all = '';
      response.on('data', (part) => {
        all += part;
        if (!all.includes('event: document') || !all.endsWith('\n\n')) return;
        response.destroy();
        resolve(all);
      });
    });
  });
  const lines = event.trim().split('\n');
  expect(lines.filter((line) => line !== '').every((line) => /^(retry|event|data): /.test(line))).toBe(true);
});
