// Starts the page that is fed: its first document stands in it, the next, and what changes between them, come as server-sent events
// (HTML standard, 9.2). A line above the views says how things stand, and whether they are still told.

import type { DocumentChanges, LiveState, PackedDocument } from '../../report/page-document.js';
import { count, counted } from '../../report/quantity.js';
import { showPage } from './page.js';
import { DocumentStore } from './store.js';
import { unpackDocument } from './unpack.js';

type Fed = { readonly document: PackedDocument; readonly state: LiveState };

const root = document.getElementById('page')!;
const line = document.createElement('p');
line.className = 'live';
// Read out when it changes; the figures beside it, which change all the time, are not.
const link = document.createElement('b');
link.setAttribute('role', 'status');
const figures = document.createElement('span');
line.append(link, figures);

try {
  const first = JSON.parse(document.getElementById('document')!.textContent!) as Fed;
  const store = new DocumentStore(await unpackDocument(first.document));
  root.before(line);
  showState(first.state);
  showPage(root, store);
  follow(store);
} catch (error) {
  // A browser that lacks what the views need shows what one without JavaScript does: markup of our own, as text until now.
  root.innerHTML = document.querySelector('noscript')!.textContent!;
  throw error;
}

function follow(store: DocumentStore): void {
  const source = new EventSource('./events');
  let newest = 0;
  showLink('Connecting …');
  source.onopen = () => showLink('Live');
  source.onerror = () => showLink('Connection lost, trying again …');
  // One after the other, since unpacking takes its time.
  let work = Promise.resolve();
  const next = (step: () => Promise<void> | void): void => {
    work = work.then(step, step);
  };
  source.addEventListener('document', ({ data }: MessageEvent<string>) => {
    const own = ++newest;
    next(async () => {
      // A later one replaces it anyway.
      if (own !== newest) return;
      const { document, state } = JSON.parse(data) as Fed;
      store.replace(await unpackDocument(document));
      showState(state);
    });
  });
  source.addEventListener('changes', ({ data }: MessageEvent<string>) => {
    const { changes, state } = JSON.parse(data) as { changes: DocumentChanges; state: LiveState };
    next(() => {
      store.change(changes);
      showState(state);
    });
  });
  source.addEventListener('state', ({ data }: MessageEvent<string>) => showState(JSON.parse(data) as LiveState));
  source.addEventListener('ended', () => {
    source.close();
    showLink('The watch has ended');
  });
}

function showLink(words: string): void {
  if (link.textContent !== words) link.textContent = words;
}

function showState({ at, recordings, growing, waiting, datagrams }: LiveState): void {
  const utc = new Date(at).toISOString().slice(11, 19);
  const local = new Date(at).toLocaleTimeString([], { hour12: false });
  const parts = [`as of ${utc} UTC (${local} local)`, `${counted(recordings, 'recording')}, ${count(growing)} growing`];
  if (waiting > 0) parts.push(`${count(waiting)} waiting to be read`);
  if (datagrams) parts.push(`${counted(datagrams.received, 'datagram')}, ${count(datagrams.lost)} lost here`);
  const words = parts.join(' · ');
  if (figures.textContent !== words) figures.textContent = words;
}
