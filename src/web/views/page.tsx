// The page around the views: heading, list of views, one view at a time on the screen and all of them on paper. The address says
// which (`#files`, or `#file-7` for one file), so that links and the browser's way back work.
import { type ComponentChildren, type JSX, render, type VNode } from 'preact';
import { useEffect, useRef, useState } from 'preact/hooks';
import type { PageDocument } from '../../report/page-document.js';
import { FilesView } from './files-view.js';
import { GalleryView } from './gallery-view.js';
import { MissingView } from './missing-view.js';
import { ProvenanceView } from './provenance-view.js';
import { RepeatsView } from './repeats-view.js';
import { StationsView } from './stations-view.js';
import type { DocumentStore } from './store.js';
import { StripPatterns } from './strip-picture.js';
import { SummaryView } from './summary-view.js';
import { TimelineView } from './timeline-view.js';
import type { ViewProps } from './view.js';

type View = {
  readonly id: string;
  readonly title: string;
  readonly show: (props: ViewProps & { readonly wanted: string | null }) => JSX.Element;
};

const views: readonly View[] = [
  { id: 'summary', title: 'Summary', show: SummaryView },
  { id: 'gallery', title: 'Gallery', show: GalleryView },
  { id: 'files', title: 'Files', show: FilesView },
  { id: 'stations', title: 'Stations', show: StationsView },
  { id: 'timeline', title: 'Timeline', show: TimelineView },
  { id: 'missing', title: 'Missing', show: MissingView },
  { id: 'repeats', title: 'Repeats', show: RepeatsView },
  { id: 'provenance', title: 'Provenance', show: ProvenanceView },
];

/** Shows the store's document in `root`, and every one that follows. */
export function showPage(root: HTMLElement, store: DocumentStore): void {
  let printing = false;
  const draw = (): void => render(<Page document={store.document} printing={printing} />, root);
  const print = (now: boolean) => (): void => {
    printing = now;
    draw();
  };
  store.subscribe(draw);
  addEventListener('beforeprint', print(true));
  addEventListener('afterprint', print(false));
  const paper = matchMedia('print');
  paper.addEventListener('change', () => print(paper.matches)());
  draw();
}

function Page({ document, printing }: { readonly document: PageDocument; readonly printing: boolean }): JSX.Element {
  const { view, wanted } = useAddress();
  const opened = useRef(new Set<string>());
  opened.current.add(view);
  return (
    <>
      <StripPatterns />
      <header>
        <h1>{document.mission}: coverage</h1>
        <nav aria-label="Views">
          <ul>
            {views.map(({ id, title }) => (
              <li key={id}>
                <a href={`#${id}`} aria-current={id === view ? 'page' : undefined}>
                  {title}
                </a>
              </li>
            ))}
          </ul>
        </nav>
      </header>
      <main>
        {views.map(({ id, title, show: Show }) => {
          const current = id === view || printing;
          if (!current && !opened.current.has(id)) return null;
          return (
            <section key={id} id={`view-${id}`} aria-labelledby={`title-${id}`} hidden={!current}>
              <h2 id={`title-${id}`} tabIndex={-1}>
                {title}
              </h2>
              <Paused when={!current}>
                <Show document={document} printing={printing} wanted={wanted} />
              </Paused>
            </section>
          );
        })}
      </main>
      <footer>
        <p>
          Made by {document.madeBy}. What no station received is shown as missing; nothing in its place is invented.
        </p>
      </footer>
    </>
  );
}

/** Leaves a view that is not shown as it was: it keeps what the reader did there, and costs nothing when the document changes. */
function Paused({ when, children }: { readonly when: boolean; readonly children: ComponentChildren }): VNode {
  const last = useRef(children);
  if (!when) last.current = children;
  return last.current as VNode;
}

/** The view that the address names, and the file in it. */
function useAddress(): { view: string; wanted: string | null } {
  const [hash, setHash] = useState(location.hash.slice(1));
  useEffect(() => {
    const follow = (): void => {
      const next = location.hash.slice(1);
      setHash(next);
      if (!next.startsWith('file-')) scrollTo(0, 0);
      // A screen reader goes on where the view begins.
      setTimeout(() => globalThis.document.getElementById(`title-${next}`)?.focus({ preventScroll: true }));
    };
    addEventListener('hashchange', follow);
    return () => removeEventListener('hashchange', follow);
  }, []);
  if (hash.startsWith('file-')) return { view: 'files', wanted: hash.slice(5) };
  return { view: views.find(({ id }) => id === hash)?.id ?? 'summary', wanted: null };
}
