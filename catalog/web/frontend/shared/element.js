// Custom elements made by a function; see "Custom elements" of the HTML standard.

// build(element, props) fills the element when it is attached and returns what to do at its end.
export function defineElement(name, build) {
  if (!customElements.get(name)) {
    customElements.define(name, class extends HTMLElement {
      connectedCallback() { this.end = build(this, this.props); }

      disconnectedCallback() { this.end?.(); }
    });
  }
  return props => Object.assign(document.createElement(name), { props });
}
