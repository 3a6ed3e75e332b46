// Starts the page on disk: its document stands in it, once and for all.
import type { PackedDocument } from '../../report/page-document.js';
import { showPage } from './page.js';
import { DocumentStore } from './store.js';
import { unpackDocument } from './unpack.js';

const root = document.getElementById('page')!;
try {
  const packed = JSON.parse(document.getElementById('document')!.textContent!) as PackedDocument;
  showPage(root, new DocumentStore(await unpackDocument(packed)));
} catch (error) {
  // A browser that lacks what the views need shows what one without JavaScript does: markup of our own, as text until now.
  root.innerHTML = document.querySelector('noscript')!.textContent!;
  throw error;
}
