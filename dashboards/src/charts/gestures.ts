/** Hands on the charts: drag, pinch, wheel and keys move one view. */
import { pan, pinch, span, within, zoom, type Spot, type View } from "./view";

export interface Hands {
  view: () => View;
  bounds: () => View;
  /** Left edge of the plotting area in the element, and its width, CSS pixels. */
  area: () => { left: number; width: number };
  move: (view: View) => void;
  /** The moment pointed at; null when the pointer has left. */
  point: (at: number | null) => void;
  /** The moment pointed at now. */
  pointed: () => number | null;
}

/** A pointer that moved less than this was a tap. */
const TAP_PIXELS = 6;

export function takeGestures(element: HTMLElement, hands: Hands): () => void {
  const held = new Map<number, { start: Spot; now: Spot }>();
  let startView: View = hands.view();

  const x = (event: MouseEvent) => event.clientX - element.getBoundingClientRect().left - hands.area().left;
  const spot = (event: MouseEvent): Spot => ({ x: x(event), y: event.clientY });
  const timeAt = (pixel: number) => hands.view().from + (pixel / hands.area().width) * span(hands.view());

  /** Fingers that come or go start a new movement from where things are. */
  const restart = () => {
    startView = hands.view();
    for (const finger of held.values()) finger.start = finger.now;
  };

  const down = (event: PointerEvent) => {
    if (event.button !== 0) return;
    held.set(event.pointerId, { start: spot(event), now: spot(event) });
    restart();
    if (event.pointerType === "mouse") element.setPointerCapture(event.pointerId);
  };

  const move = (event: PointerEvent) => {
    const finger = held.get(event.pointerId);
    if (finger === undefined) {
      if (event.pointerType === "mouse") hands.point(timeAt(x(event)));
      return;
    }
    finger.now = spot(event);
    const [first, second] = [...held.values()];
    const { width } = hands.area();
    if (first !== undefined && second !== undefined) {
      hands.move(pinch(startView, [first.start, second.start], [first.now, second.now], width, hands.bounds()));
    } else if (Math.abs(finger.now.x - finger.start.x) > TAP_PIXELS) {
      hands.point(null);
      hands.move(pan(startView, ((finger.start.x - finger.now.x) / width) * span(startView), hands.bounds()));
    }
  };

  const up = (event: PointerEvent) => {
    const finger = held.get(event.pointerId);
    held.delete(event.pointerId);
    if (finger !== undefined && held.size === 0 && Math.abs(finger.now.x - finger.start.x) <= TAP_PIXELS) {
      hands.point(timeAt(finger.now.x));
    }
    restart();
  };

  const cancel = (event: PointerEvent) => {
    held.delete(event.pointerId);
    restart();
  };

  const leave = (event: PointerEvent) => {
    if (event.pointerType === "mouse" && held.size === 0) hands.point(null);
  };

  const wheel = (event: WheelEvent) => {
    const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY) || event.shiftKey;
    if (event.ctrlKey || event.metaKey) {
      event.preventDefault();
      hands.move(zoom(hands.view(), Math.exp(event.deltaY * 0.004), timeAt(x(event)), hands.bounds()));
    } else if (sideways) {
      event.preventDefault();
      const by = ((event.deltaX || event.deltaY) / hands.area().width) * span(hands.view());
      hands.move(pan(hands.view(), by, hands.bounds()));
    }
  };

  const twice = (event: MouseEvent) => hands.move(zoom(hands.view(), 1 / 3, timeAt(x(event)), hands.bounds()));

  const key = (event: KeyboardEvent) => {
    const view = hands.view();
    const at = hands.pointed() ?? (view.from + view.to) / 2;
    const step = span(view) / 60;
    const side = event.key === "ArrowLeft" ? -1 : event.key === "ArrowRight" ? 1 : 0;
    if (side !== 0 && event.shiftKey) hands.move(pan(view, (side * span(view)) / 4, hands.bounds()));
    else if (side !== 0) {
      const next = at + side * step;
      hands.point(next);
      if (next < view.from || next > view.to) hands.move(pan(view, (side * span(view)) / 2, hands.bounds()));
    } else if (event.key === "+" || event.key === "=") hands.move(zoom(view, 0.5, at, hands.bounds()));
    else if (event.key === "-") hands.move(zoom(view, 2, at, hands.bounds()));
    else if (event.key === "Home") hands.move(within({ from: 0, to: span(view) }, hands.bounds()));
    else if (event.key === "End") hands.move(pan(view, span(hands.bounds()), hands.bounds()));
    else if (event.key === "Escape") hands.point(null);
    else return;
    event.preventDefault();
  };

  const listen: [string, (event: never) => void][] = [
    ["pointerdown", down],
    ["pointermove", move],
    ["pointerup", up],
    ["pointercancel", cancel],
    ["pointerleave", leave],
    ["wheel", wheel],
    ["dblclick", twice],
    ["keydown", key],
  ];
  for (const [name, listener] of listen) {
    element.addEventListener(name, listener as (event: Event) => void, { passive: false });
  }
  return () => {
    for (const [name, listener] of listen) element.removeEventListener(name, listener as (event: Event) => void);
  };
}
