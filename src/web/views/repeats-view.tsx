// Repeats per rotation: tables and plots that the program has made when it wrote the report.
import type { JSX } from 'preact';
import { useLayoutEffect, useRef } from 'preact/hooks';
import type { ViewProps } from './view.js';

export function RepeatsView({ document, printing }: ViewProps): JSX.Element {
  const box = useRef<HTMLDivElement>(null);
  useLayoutEffect(() => {
    if (printing) for (const details of box.current?.querySelectorAll('details') ?? []) details.open = true;
  }, [printing]);
  if (document.repeats === null) return <p>Nothing is estimated here: the repeats command does.</p>;
  // Markup of our own making: every value in it was escaped where it was made.
  return <div ref={box} class="repeats" dangerouslySetInnerHTML={{ __html: document.repeats }} />;
}
