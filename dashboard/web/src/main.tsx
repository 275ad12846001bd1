import '@fontsource-variable/atkinson-hyperlegible-next/wght.css';
import { render } from 'preact';
import { App } from './app';
import { Feed } from './feed';
import { Store } from './store';
import './style.css';
import './pages.css';

const store = new Store();
new Feed(store, `${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}/api/v1/live`).start();
render(<App store={store} />, document.getElementById('app')!);
