// A line that can be looked at closer: by buttons, keys, dragging over a stretch, or the wheel with Ctrl held. What is shown is
// always told in words, too.
import type { ComponentChildren, JSX } from 'preact';
import { useId, useLayoutEffect, useRef, useState } from 'preact/hooks';
import { fitWindow, moveWindow, type StretchWindow, wholeLine, zoomWindow } from './stretch-window.js';

export type ZoomFrameProps = {
  readonly length: number;
  /** Closest look: so many positions. Default 1. */
  readonly narrowest?: number;
  readonly label: string;
  /** What the window shows, in words. */
  readonly describe: (window: StretchWindow) => ComponentChildren;
  /** What lies at a position, in words. */
  readonly tell: (position: number) => string;
  /** A further button: where to jump from the present window. */
  readonly jump?: { readonly label: string; readonly to: (window: StretchWindow) => StretchWindow | null };
  /** Told whenever another part is shown. */
  readonly onWindow?: (window: StretchWindow) => void;
  /** What is drawn; `columns` is the width in pixels. */
  readonly children: (window: StretchWindow, columns: number) => ComponentChildren;
};

export function ZoomFrame(props: ZoomFrameProps): JSX.Element {
  const { length, narrowest = 1, label, describe, tell, jump, onWindow, children } = props;
  const [wanted, setWindow] = useState<StretchWindow | null>(null);
  const [drag, setDrag] = useState<{ from: number; to: number } | null>(null);
  const [pointed, setPointed] = useState<number | null>(null);
  const [columns, setColumns] = useState(800);
  const plot = useRef<HTMLDivElement>(null);
  const help = useId();
  const window = wanted ? fitWindow(wanted.start, wanted.end, length, narrowest) : wholeLine(length);

  useLayoutEffect(() => {
    const measure = (): void => setColumns(Math.max(50, Math.round(plot.current?.clientWidth || 800)));
    const sizes = new ResizeObserver(measure);
    sizes.observe(plot.current!);
    measure();
    return () => sizes.disconnect();
  }, []);

  useLayoutEffect(() => onWindow?.(window), [window.start, window.end]);

  const zoom = (factor: number, at = 0.5): void => setWindow(zoomWindow(window, factor, at, length, narrowest));
  const move = (share: number): void => setWindow(moveWindow(window, share, length));
  const keys: Readonly<Record<string, () => void>> = {
    '+': () => zoom(0.5),
    '=': () => zoom(0.5),
    '-': () => zoom(2),
    ArrowLeft: () => move(-0.2),
    ArrowRight: () => move(0.2),
    Home: () => setWindow(fitWindow(0, window.end - window.start, length, narrowest)),
    End: () => setWindow(fitWindow(length - (window.end - window.start), length, length, narrowest)),
    '0': () => setWindow(null),
  };
  const shareOf = (event: { clientX: number }): number => {
    const { left, width } = plot.current!.getBoundingClientRect();
    return Math.min(1, Math.max(0, (event.clientX - left) / width));
  };
  const positionOf = (share: number): number =>
    Math.min(length - 1, Math.floor(window.start + share * (window.end - window.start)));
  const endDrag = (): void => {
    if (drag && Math.abs(drag.to - drag.from) * columns > 4) {
      const [from, to] = [Math.min(drag.from, drag.to), Math.max(drag.from, drag.to)];
      setWindow(fitWindow(positionOf(from), positionOf(to) + 1, length, narrowest));
    }
    setDrag(null);
  };

  return (
    <div class="zoom">
      <div class="tools">
        <button type="button" onClick={() => zoom(0.5)} disabled={window.end - window.start <= narrowest}>
          Closer
        </button>
        <button type="button" onClick={() => zoom(2)} disabled={window.end - window.start >= length}>
          Wider
        </button>
        <button type="button" onClick={() => move(-0.5)} disabled={window.start <= 0}>
          Left
        </button>
        <button type="button" onClick={() => move(0.5)} disabled={window.end >= length}>
          Right
        </button>
        <button type="button" onClick={() => setWindow(null)} disabled={window.end - window.start >= length}>
          Whole
        </button>
        {jump && (
          <button type="button" onClick={() => setWindow(jump.to(window) ?? window)}>
            {jump.label}
          </button>
        )}
      </div>
      {/* biome-ignore lint/a11y/useSemanticElements: a drawing, not fields of a form */}
      <div
        ref={plot}
        class="drawing"
        role="group"
        aria-label={label}
        aria-describedby={help}
        // biome-ignore lint/a11y/noNoninteractiveTabindex: keys zoom and move what is drawn here
        tabIndex={0}
        onKeyDown={(event) => {
          const act = event.ctrlKey || event.metaKey || event.altKey ? undefined : keys[event.key];
          if (!act) return;
          event.preventDefault();
          act();
        }}
        onPointerDown={(event) => {
          if (event.button !== 0 || event.pointerType === 'touch') return;
          event.currentTarget.setPointerCapture(event.pointerId);
          setDrag({ from: shareOf(event), to: shareOf(event) });
        }}
        onPointerMove={(event) => {
          setPointed(positionOf(shareOf(event)));
          if (drag) setDrag({ ...drag, to: shareOf(event) });
        }}
        onPointerUp={endDrag}
        onPointerCancel={() => setDrag(null)}
        onPointerLeave={() => setPointed(null)}
        onDblClick={() => setWindow(null)}
        onWheel={(event) => {
          if (!event.ctrlKey) return;
          event.preventDefault();
          zoom(event.deltaY > 0 ? 1.25 : 0.8, shareOf(event));
        }}
      >
        {children(window, columns)}
        {drag && (
          <div
            class="dragged"
            style={{
              left: `${Math.min(drag.from, drag.to) * 100}%`,
              width: `${Math.abs(drag.to - drag.from) * 100}%`,
            }}
          />
        )}
      </div>
      <p class="shown" aria-live="polite">
        {describe(window)}
      </p>
      <p class="pointed dim">{pointed === null ? '\u00a0' : tell(Math.min(pointed, length - 1))}</p>
      <p class="dim help" id={help}>
        Drag over a stretch to see it closer, double-click for the whole; keys: + and − for closer and wider, arrows to
        move, Home, End, 0 for the whole.
      </p>
    </div>
  );
}
